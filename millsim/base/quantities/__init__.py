"""Numbers with unit, range, basis and source: parsed, held, drawn from their range, written for people."""
