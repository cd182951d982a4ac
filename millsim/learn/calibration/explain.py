"""Why a prediction missed: what could have been different in the run, tried out on the model itself.

Each cause is put into the model of the run, at a plausible size, and what it does to all that was measured is held
against what is left over. It takes away d'S d - (d - g)'S(d - g) of the misfit, where d is measured less predicted, g
the effect of the cause at the size that suits best, and S the inverse of the covariance: of the measurement with the
model's own error, and of the draws of all parameters, which move together. The parameters are those of the prediction.
"""

from dataclasses import dataclass, replace

import numpy as np

from ...version import MODEL_VERSION
from .causes import CAUSES, Cause
from .compare import RunComparison
from .scene import Scene, scene_of, stored

KNOTS = 5  # sizes of a cause that are solved on either side
STEPS = 121  # sizes between them that are tried
MOST = 5  # causes that are named
LEAST = 0.15  # of the misfit: a cause that takes away less is not named
LEAST_DROP = 2.7  # of the misfit (90 % of chi-squared with one degree of freedom)
AGAINST = 2.0  # standard errors: what a cause moves from nearer to beyond this speaks against it
FAR = 9.0  # of the misfit (three standard errors): what fits by as much worse than the best is not named
ENOUGH = 0.5  # of the misfit: if no cause takes away this much, none explains the miss


@dataclass(frozen=True)
class Found:
    """A cause at the size that suits best: share of the misfit it takes away; against: what speaks against it.

    off: what it leaves farthest off.
    """

    name: str
    what: str
    size: float
    needed: str
    share: float
    tells: str
    off: str
    against: str = ""


@dataclass(frozen=True)
class Explanation:
    """Causes, best first, that fit the miss; those that do not, with why; known: share that known differences take."""

    causes: tuple[Found, ...] = ()
    ruled_out: tuple[Found, ...] = ()
    known: float = 0.0
    none: str = ""  # why no cause is looked for
    by_chance: bool = False  # what is left over is no more than the errors make

    @property
    def enough(self) -> bool:
        """Whether one of the causes takes away most of the miss."""
        return any(c.share >= ENOUGH for c in self.causes)


def explain(c: RunComparison) -> Explanation:
    """The causes that fit the pattern of a miss."""
    if not c.missed:
        return Explanation(none="the prediction was not missed")
    if c.prediction.model_version != MODEL_VERSION:
        return Explanation(
            none=f"the prediction is of model {c.prediction.model_version}, this is {MODEL_VERSION}: predict again"
        )
    if any(key in ("feed.material", "feed.batch_mass") for key, _, _ in c.differing):
        return Explanation(none="the prediction is for another feed")
    scene = scene_of(c)
    if scene is None:
        return Explanation(none="the model does not settle at the rate of the run")
    whole, left = scene.misfit(stored(scene)), scene.misfit(scene.predicted)
    tried = [_tried(scene, cause, left) for cause in CAUSES]
    tried = _far_behind(tried, left)
    fits = sorted((f for f in tried if not f.against), key=lambda f: -f.share)
    against = tuple(f for f in tried if f.against)
    differs = bool(c.differing) or not c.same_rate
    known = 1.0 - left / whole if differs and whole > 0.0 else 0.0
    count = scene.measured.size  # of chi-squared the mean, and half its variance
    return Explanation(tuple(fits[:MOST]), against, known, by_chance=left <= count + 2.0 * (2.0 * count) ** 0.5)


# --- one cause --------------------------------------------------------------------------------------------


def _tried(scene: Scene, cause: Cause, left: float) -> Found:
    """A cause at the size that takes away most of the misfit `left`, with what speaks against it."""
    sizes, effects = _effects(scene, cause)
    misfits = np.array([scene.misfit(e) for e in effects])
    i = int(np.argmin(misfits))
    size, drop = float(sizes[i]), left - float(misfits[i])
    what, needed = cause.words(scene, size)
    needed += " or more" * (size != 0.0 and i in (0, sizes.size - 1))
    share = max(0.0, drop / left)
    against = cause.known(scene.run) or _against(scene, effects[i])
    if not against and size == 0.0:
        against = "it would move what was measured the other way"
    elif not against and share >= LEAST and drop < LEAST_DROP:
        against = "what it would change is within the errors"
    elif not against and share < LEAST:
        against = f"it explains at most {100 * share:.0f} % of the miss"
    return Found(cause.name, what, size, needed, share, cause.tells(scene.run), _farthest(scene, effects[i]), against)


def _far_behind(tried: list[Found], left: float) -> list[Found]:
    """Where one cause explains the miss, those that fit it far worse are against what was measured."""
    best = max((f for f in tried if not f.against), key=lambda f: f.share, default=None)
    if best is None or best.share < ENOUGH:
        return tried
    far = [not f.against and (best.share - f.share) * left > FAR for f in tried]
    return [
        replace(f, against=f"it leaves {f.off} unexplained") if out else f for f, out in zip(tried, far, strict=True)
    ]


def _farthest(scene: Scene, predicted: np.ndarray) -> str:
    """What lies farthest off with a cause."""
    off = np.abs(scene.measured - predicted) / np.sqrt(np.diag(scene.covariance))
    return scene.labels[int(np.argmax(off))]


def _effects(scene: Scene, cause: Cause) -> tuple[np.ndarray, np.ndarray]:
    """Sizes (m,) of a cause in the plausible range, and forecasts (m, k) with it; linear between a few solved."""
    low, high = cause.within(scene)
    solved = {0.0: scene.predicted}
    for end in (low, high):
        for size in np.linspace(0.0, end, KNOTS + 1)[1:].tolist() if end else ():
            found = cause.effect(scene, size)
            if found is None:
                break  # farther out it settles no better
            solved[size] = found
    at = np.array(sorted(solved))
    told = np.array([solved[x] for x in at.tolist()])
    sizes = np.unique(np.concatenate([np.linspace(at[0], at[-1], STEPS), [0.0]]))
    return sizes, np.column_stack([np.interp(sizes, at, column) for column in told.T])


def _against(scene: Scene, predicted: np.ndarray) -> str:
    """What was measured beside the sizes and would be missed with a cause, though it is not without."""
    sd = np.sqrt(np.diag(scene.covariance))
    before, after = (np.abs(scene.measured - q) / sd for q in (scene.predicted, predicted))
    worse = [i for i in np.flatnonzero((after > AGAINST) & (after > before + 0.5)) if not scene.sieves[i]]
    return f"{scene.labels[max(worse, key=lambda i: after[i])]} speaks against it" if worse else ""
