"""The one list of limits and the one set of status codes: for engines, files, sweeps and words alike.

Names of limits stand in files: never rename one. Compiled (jit) code uses the numbers.
"""

LIMITS = ("shaft power", "outlet temperature", "sieve", "chamber", "jam", "feed opening", "grinding")
POWER, TEMPERATURE, SIEVE, CHAMBER, JAM, OPENING, GRINDING = range(len(LIMITS))
AT_LIMIT = 1.02  # a load that fits into its limit less often than this is at it, not close to it (assumed)
LEAST_OPEN = 0.4  # below this unblinded share a sieve counts as blinded (common practice, no source)

OK, OVER, CANNOT, FAILED, MISSING = range(5)  # what became of a prediction, or of a point of a sweep
STATUS_WORDS = ("ok", "over capacity", "cannot run", "failed", "not computed")
HARDLY_J_KG = 30.0 * 3.6e6  # striking, shearing and stirring per kg of powder, above which a mill hardly grinds
STATUS_MEANING = (
    "runs as asked",
    "takes less than the feed rate asked for; figures are for the largest rate it takes",
    "a limit is exceeded even with next to no feed; its rate is 0, its energy per kg infinite",
    "no answer: the settings contradict each other, or the state did not settle; see reason",
    "not computed yet",
)

OUTSIDE, AT, CLOSE = "outside", "at its limit", "close"
CLOSE_MARGIN = 1.5  # a load that fits into its limit less often is close to it (assumed)


def nearness(margin: float) -> str:
    """How near a load is to its limit, by how many times it fits into it; whether that is near at all is not asked."""
    return OUTSIDE if margin < 1.0 else AT if margin <= AT_LIMIT else CLOSE


HARDLY_GRINDS = "hardly grinds"  # the status of a mill that cannot run for want of grinding: the rotor turns all right


def status_words(code: int, binding: str) -> str:
    """The status of a mill for people, by its code and the limit that binds."""
    return HARDLY_GRINDS if code == CANNOT and binding == LIMITS[GRINDING] else STATUS_WORDS[code]


def shown_status(status: str) -> str:
    """A status for people: that a prediction could be made is no judgement of the mill."""
    return "computed" if status == STATUS_WORDS[OK] else status


TRY_PREDICT = "`millsim predict` says what would change that"


def out_words(binding: str) -> str:
    """Why a mill gives nothing, in a few words, by the limit that is exceeded: "cannot run: jam", "hardly grinds"."""
    return HARDLY_GRINDS if binding == LIMITS[GRINDING] else f"{STATUS_WORDS[CANNOT]}: {binding}"


def cannot_run_words(binding: str, subject: str = "the mill") -> str:
    """The warning of a mill that does not run, by the limit that is exceeded."""
    if binding == LIMITS[GRINDING]:
        return f"{subject} hardly grinds: hardly any hit breaks or cuts pieces of this size, so no rate is given"
    return f"{subject} cannot run like this: even with next to no feed, {binding} is over its limit"
