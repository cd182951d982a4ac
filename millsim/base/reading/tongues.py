"""Words of other languages in a sieve sheet, without accents: German, French, Spanish, Italian, Dutch, Polish."""

SIZES = {
    "maschenweite", "sieb", "siebweite", "siebmasche", "offnung", "oeffnung", "korngrosse", "maille", "tamis",
    "ouverture", "luz", "malla", "tamiz", "apertura", "maglia", "setaccio", "zeef", "maaswijdte", "sito", "oczko",
}  # fmt: skip
PASSING = {
    "durchgang", "siebdurchgang", "tamisat", "passant", "passants", "pasante", "pasa", "passante", "doorval",
    "przesiew",
}  # fmt: skip
RETAINED = {"retenu", "retenido", "retenida", "trattenuto", "ritenuto"}
# What stayed on a sieve, or on it and all coarser ones: only the writer knows.
RESIDUE = {"ruckstand", "rueckstand", "siebruckstand", "siebrueckstand", "refus", "residuo", "zeefrest", "pozostalosc"}
CUMULATIVE = {"kumuliert", "kumulativ", "cumule", "acumulado", "cumulato", "gecumuleerd", "skumulowany", "summiert"}
MASSES = {"masse", "gewicht", "poids", "peso", "massa", "masa", "menge"}
ROWS = {
    "pan": {"boden", "pfanne", "siebboden", "bodenpfanne", "auffangschale", "auffangpfanne", "schale", "fond",
            "recepteur", "bandeja", "fondo", "colector", "bodem", "opvangbak", "dno", "taca"},
    "charge": {"einwaage", "aufgabe", "inwaag", "pesee", "nawazka", "carica"},
    "total": {"summe", "gesamt", "somme", "suma", "somma", "totale", "totaal", "razem"},
}  # fmt: skip
