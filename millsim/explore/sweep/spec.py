"""The sweep file as tables: [sweep], any number of [[axis]], and [set] for keys changed once for all points."""

from ...base.reading.key import choice, n, text, whole
from ...base.reading.tables import Spec

GRID, SOBOL, LATIN = "grid", "sobol", "latin hypercube"
MOST_POINTS = 10**7

SECTIONS = {
    "sweep": (
        text("config", '"demo.toml"', "the base mill: a config beside the sweep file"),
        text("name", '"gap and speed"', "a name for reports", default=None),
        choice("design", f"{GRID}|{SOBOL}|{LATIN}", "all combinations, or points spread evenly", default=GRID),
        whole("points", 2, MOST_POINTS, "256", "of a sampled design", default=None),
        choice("engine", "balance|montecarlo", "which solver", default="balance"),
        whole("replicates", 1, 1000, "3", "Monte Carlo runs of each setting, each with its own seed", default=1),
        whole("draws", 0, 4096, "32", "parameter draws for bands and probabilities; 0 = none", default=0),
        whole("seed", 0, 2**31, "1", "of designs, draws and the first replicate", default=1),
        n("class_ratio", 1.02, 1.6, "1.25", "of size class bounds; the config's if left out", default=None),
    )
}
AXIS = {
    "axis": (
        text("key", '"stator.gap"', "config key that is varied"),
        whole("count", 2, 100000, "5", "how many values from `from` to `to`", default=None),
        choice("spacing", "linear|geometric", "of the values between", default="linear"),
    )
}
AXIS_NAMES = ("key", "values", "from", "to", "count", "spacing", "along")
_ELSEWHERE = {
    "axes": "write one [[axis]] table per key, each with key = and values =",
    "base": 'did you mean "config"?',
    "samples": 'did you mean "points" or "draws"?',
    "band_samples": 'did you mean "draws"?',
    "workers": "workers are a matter of the machine: millsim sweep --workers 2",
    "set": "[set] stands by itself: keys and values that hold for all points",
}
SPEC = Spec(SECTIONS, ("axis", "set"), (), lambda name: _ELSEWHERE.get(name, ""))
