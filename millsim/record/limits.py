"""The one list of limits and the one set of status codes: for engines, files, sweeps and words alike.

Names of limits stand in files: never rename one. Compiled (jit) code uses the numbers.
"""

LIMITS = ("shaft power", "outlet temperature", "sieve", "chamber", "jam", "feed opening")
POWER, TEMPERATURE, SIEVE, CHAMBER, JAM, OPENING = range(len(LIMITS))
LEAST_OPEN = 0.4  # below this unblinded share a sieve counts as blinded (common practice, no source)

OK, OVER, CANNOT, FAILED, MISSING, HARDLY = range(6)  # what became of a prediction, or of a point of a sweep
STATUS_WORDS = ("ok", "over capacity", "cannot run", "failed", "not computed", "hardly grinds")
NO_POWDER = (CANNOT, HARDLY)  # nothing worth calling a rate comes out
HARDLY_J_KG = 30.0 * 3.6e6  # striking, shearing and stirring per kg of powder, above which a mill hardly grinds
STATUS_MEANING = (
    "runs as asked",
    "takes less than the feed rate asked for; figures are for the largest rate it takes",
    "a limit is exceeded even with next to no feed; its rate is 0, its energy per kg infinite",
    "no answer: the settings contradict each other, or the state did not settle; see reason",
    "not computed yet",
    "hardly any hit breaks or cuts the feed: grams per hour at tens of kWh/kg; no rate is given",
)


def cannot_run_words(binding: str) -> str:
    """The warning of a mill that does not run, by the limit that is exceeded."""
    return f"the mill does not run even with next to no feed: {binding} is over its limit"
