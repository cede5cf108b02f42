"""One exposure laid on another of the same stand, by the structure of their logarithms.

Coarse to fine: first a turn, then a drift whose windows narrow from step to step. What does not belong
together (a thing that moved, light that one of them lost) weighs little by Huber's rule. The ratio of
the exposures is an offset in the same equations. `sphere.rotation` knows neither noise nor saturation, and
takes the grain of a short exposure for structure: of it only the heading is used.

References
----------
.. [1] B. D. Lucas and T. Kanade, An iterative image registration technique with an application to stereo
   vision, 1981: the equations of each window.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.planes import highest_plane, mean_of_planes
from panopipe.sphere.filters import smooth
from panopipe.sphere.geometry import direction, pitch_of_row, yaw_of_column
from panopipe.sphere.rotation import heading
from panopipe.studies.bracket.motion import GRID, Motion, still

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

WIDEST = 1024
"""Pictures are looked at no wider than this."""
NARROWEST = 128
"""Pictures less wide tell too little."""
LEAST_AGREEMENT, LEAST_SEEN = 0.5, 0.02
"""Share of structure that is the same, and of the sphere that tells anything, from which two pictures are of
one stand. Of the same stand .74 to 1 was found with a sway of a degree, of other places .00 to .03."""
_BRIGHTEST, _NO_MORE = 0.75, 0.9
"""Share of saturation from which a mean of pixels is less and less believed, and from which not at all."""
_FAINTEST = 4.0
"""Signal over noise of a mean of pixels from which it is believed."""
_LEAST_SD = 0.01
"""Of a logarithm: what resampling, lamps and lenses leave unlike."""
_SURE = 1 / (0.07**2 + _LEAST_SD**2)
"""Weight of a mean of pixels that is known to 7 %."""
_HUBER, _TINY = np.float32(2.0), np.float32(1e-9)
_STEPS = (
    (256, 0.0, 0.0, 5), (512, 0.0, 0.0, 2), (512, 12.0, 0.5, 2), (512, 6.0, 0.3, 2),
    (1024, 4.0, 0.2, 1), (1024, 2.0, 0.2, 2),
)  # fmt: skip
"""Width; spread of the windows in degrees (0: a turn), how far a step may change the drift, and how often."""
_BY_CHANCE = 0.3
"""What a drift must explain of a window, as a sum of squares over variance, so that it is any."""
_EXPLAINS = 6000.0
"""What a motion must explain more than a simpler one, as a sum of squares over variance, to be believed:
four for each of the 1,640 windows of 2 degrees. On a tripod up to 2,200 were found, after a sway of .03
degrees 40,000 (hall)."""


@dataclass
class Look:
    """A small picture of one exposure, as registration sees it.

    Attributes
    ----------
    share : ndarray of shape (height, width, 3), dtype float32
        Means of samples, 1 at saturation.
    noise : ndarray of shape (3, 2), dtype float64
        Variance of such a mean over light, and in darkness.
    """

    share: Picture
    noise: Floats
    _levels: dict[int, tuple[Picture, Picture, Picture]] = field(default_factory=dict)

    def level(self, width: int) -> tuple[Picture, Picture]:
        """Logarithm of light, and one over the variance of it, 0 where it is lost; `width` wide."""
        log, _, kept = self._level(width)
        return log, kept

    def capped(self, width: int) -> tuple[Picture, Picture]:
        """The same where saturated light is not lost, but told to be at least so much."""
        log, weight, _ = self._level(width)
        return log, weight

    def forget(self) -> None:
        """Let go of what can be found again."""
        self._levels.clear()

    def _level(self, width: int) -> tuple[Picture, Picture, Picture]:
        width = min(width, self.share.shape[1])
        if width not in self._levels:
            by = self.share.shape[1] // width
            self._levels[width] = _logarithm(_halved(self.share, by), self.noise / by**2)
        return self._levels[width]


def _halved(picture: Picture, by: int) -> Picture:
    """Means of squares of so many pixels a side."""
    height, width = picture.shape[:2]
    size = (width // by, height // by)
    means = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    return np.asarray(means, np.float32).reshape(*size[::-1], *picture.shape[2:])


def _logarithm(share: Picture, noise: Floats) -> tuple[Picture, Picture, Picture]:
    mean = mean_of_planes(share)
    variance = (np.maximum(share, 0) @ noise[:, 0] + noise[:, 1].sum()) / 9
    relative = variance / np.maximum(mean, 1e-9) ** 2
    top = cv2.dilate(highest_plane(share), np.ones((3, 3)), borderType=cv2.BORDER_REPLICATE)
    fade = np.clip((_NO_MORE - top) / (_NO_MORE - _BRIGHTEST), 0, 1)
    believed = (relative < 1 / _FAINTEST**2) * (mean > 0)
    log = np.log(np.maximum(mean, np.sqrt(variance) + 1e-9))
    weight = (believed / (relative + _LEAST_SD**2)).astype(np.float32)
    return log.astype(np.float32), weight, (fade * weight).astype(np.float32)


@dataclass(frozen=True, slots=True)
class Registered:
    """How one exposure lies on another.

    Attributes
    ----------
    motion : Motion
        Where directions of the reference are in the exposure.
    ratio_ev : float
        How much more light the exposure took.
    agreement : float
        Share of the places that tell anything whose structure is the same in both.
    seen : float
        Share of the sphere that tells anything.
    parallax_deg : float
        Drift that is left besides the turn, root mean square over the places that tell anything.
    """

    motion: Motion
    ratio_ev: float
    agreement: float
    seen: float
    parallax_deg: float


def register(reference: Look, exposure: Look, *, finest: int = WIDEST) -> Registered:
    """Lay an exposure on the reference.

    Parameters
    ----------
    reference, exposure : Look
        Of the same width, 256 or more.
    finest : int
        Widest pictures to look at.
    """
    motion = Motion(heading(_structure(reference), _structure(exposure)), still().drift)
    widest = min(finest, reference.share.shape[1])
    offset = -_median_left(reference.level(256), exposure.level(256), motion)
    for width, spread, most, rounds in _STEPS:
        if width > widest:
            continue
        begun, pair = motion.drift, np.stack(exposure.capped(width), axis=-1)
        for _ in range(rounds):
            equations = _Equations.of(reference.capped(width), pair, motion, offset, fine=spread > 0)
            if not spread:
                turn, more = equations.turn()
                motion, offset = motion.turned(turn), offset + more
            else:
                motion = motion.drifted(equations.drift(spread, np.radians(most), motion.drift - begun))
    return _judged(reference, exposure, _simplest(motion, reference, exposure, offset, widest))


def _simplest(motion: Motion, reference: Look, exposure: Look, offset: float, width: int) -> Motion:
    """No motion, or the turn alone, where that explains as much: on a tripod no pixel is resampled."""
    ours, pair = reference.capped(width), np.stack(exposure.capped(width), axis=-1)
    full = _Equations.of(ours, pair, motion, offset, fine=True)
    for simple in (still(), Motion(motion.turn, still().drift)):
        other = _Equations.of(ours, pair, simple, offset, fine=True)
        weight = np.minimum(full.weight, other.weight)
        if float(np.sum(weight * (other.left**2 - full.left**2))) < _EXPLAINS:
            return simple
    return motion


def _median_left(
    reference: tuple[Picture, Picture], exposure: tuple[Picture, Picture], motion: Motion
) -> float:
    laid = motion.seen(np.stack(exposure, axis=-1))
    return _weighted_median(reference[0] - laid[..., 0], ((reference[1] > 0) & (laid[..., 1] > 0)) * 1.0)


def _structure(look: Look) -> Floats:
    """What is fine in a picture 128 wide, where it is believed, by solid angle."""
    log, weight = look.level(128)
    fine = (log - cv2.blur(log, (9, 9))) * (weight > 0)
    return np.asarray(np.clip(fine, -1, 1) * _cosine(64), np.float64)


@cache
def _rays(width: int) -> tuple[Picture, Picture, Picture]:
    """Directions of pixels, and unit vectors to the right and up there."""
    yaw = yaw_of_column(np.arange(width), width)[None]
    pitch = pitch_of_row(np.arange(width // 2), width // 2)[:, None]
    ray = direction(yaw, pitch).astype(np.float32)
    right = np.broadcast_to(direction(yaw + 90, 0 * pitch), ray.shape).astype(np.float32)
    return ray, right, np.cross(ray, right).astype(np.float32)


def _slope(log: Picture) -> tuple[Picture, Picture]:
    """Gradient per radian, to the right and up."""
    height, width = log.shape
    wide = np.concatenate([log[:, -1:], log, log[:, :1]], axis=1)
    right = (wide[:, 2:] - wide[:, :-2]) * (width / (4 * np.pi) / _cosine(height))
    up = np.zeros_like(log)
    up[1:-1] = (log[:-2] - log[2:]) * (width / (4 * np.pi))
    return right.astype(np.float32), up.astype(np.float32)


@dataclass(slots=True)
class _Equations:
    """Linear equations at each pixel: what is left of the difference, what the slope is of, and weight."""

    left: Picture
    mean: Picture
    weight: Picture

    @classmethod
    def of(
        cls,
        reference: tuple[Picture, Picture],
        exposure: Picture,
        motion: Motion,
        offset: float,
        *,
        fine: bool,
    ) -> _Equations:
        """Equations at a motion; of `fine` structure alone, so that light that changes moves nothing.

        `exposure` holds logarithms and their weights side by side, shape (height, width, 2).
        """
        log, weight = reference
        other_log, other_weight = cv2.split(motion.seen(exposure))
        common = ((weight > 0) & (other_weight > 1)).astype(np.float32)
        joint = common / (1 / np.maximum(weight, _TINY) + 1 / np.maximum(other_weight, _TINY))
        # Up to the light that both hold: the rim of a lamp that one of them clips tells where it is.
        cap = np.float32(np.log(_BRIGHTEST) - max(offset, 0.0))
        ours, theirs = np.minimum(log, cap), np.minimum(other_log - np.float32(offset), cap)
        left, mean = ours - theirs, (ours + theirs) / np.float32(2)
        if fine:
            seen = (joint > 0).astype(np.float32)
            around = _around(seen)
            left, mean = _fine(left, seen, around), _fine(mean, seen, around)
        size = np.abs(left) * np.sqrt(joint)
        joint *= np.minimum(np.float32(1), _HUBER / np.maximum(size, _HUBER))
        return cls(left, mean, joint * _cosine(len(log)))

    def _slope(self) -> Picture:
        """How the light changes for a small vector of motion, per radian."""
        _, right, up = _rays(self.mean.shape[1])
        by_right, by_up = _slope(self.mean)
        return np.asarray(cv2.merge([by_right] * 3) * right + cv2.merge([by_up] * 3) * up)

    def turn(self) -> tuple[Floats, float]:
        """Small turn that explains most, and how much brighter than thought the exposure is (a logarithm)."""
        ray, _, _ = _rays(self.left.shape[1])
        arms = np.cross(ray, self._slope()).reshape(-1, 3)
        rows = np.concatenate([arms, np.full((len(arms), 1), -1, np.float32)], axis=1).astype(np.float64)
        weighted = rows * self.weight.reshape(-1, 1)
        system = weighted.T @ rows + np.diag([1e-3, 1e-3, 1e-3, 1e-6])
        found = np.linalg.solve(system, weighted.T @ self.left.reshape(-1).astype(np.float64))
        return np.clip(found[:3], -0.1, 0.1), float(np.clip(found[3], -1, 1))

    def drift(self, spread_deg: float, most: float, gone: Picture) -> Floats:
        """Smooth drift that explains what is left, on the grid; `gone` is what such windows drifted before.

        Where nothing is seen it stays with what wider windows found: `most` is its spread against that.
        """
        by = self.left.shape[1] // GRID
        pairs = ((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2))
        slope = cv2.split(self._slope())
        weighted = [along * self.weight for along in slope]
        terms = [weighted[i] * slope[j] for i, j in pairs] + [along * self.left for along in weighted]
        cells = smooth(np.stack([_halved(term, by) for term in terms], axis=-1), spread_deg)
        count = 2 * np.pi * np.radians(spread_deg) ** 2 * (self.left.shape[1] / (2 * np.pi)) ** 2
        cells *= count
        system = np.empty((*cells.shape[:2], 3, 3))
        for k, (i, j) in enumerate(pairs):
            system[..., i, j] = system[..., j, i] = cells[..., k]
        system += np.eye(3) / most**2
        pull = cells[..., 6:] - gone / most**2
        found = np.linalg.solve(system, pull[..., None])[..., 0]
        explained = np.sum(found * pull, axis=-1, keepdims=True)
        long = np.linalg.norm(found, axis=-1, keepdims=True)
        sure = np.maximum(1 - _BY_CHANCE / np.maximum(explained, 1e-9), 0)
        return np.asarray(found * sure * np.minimum(1, 2 * most / np.maximum(long, 2 * most)))


_CELL = 8
_ALIKE = 0.7
"""Correlation of a cell's structure from which it is the same."""
_TEXTURE = 3.0
"""Structure over noise from which a cell tells anything."""
_LEAST_AREA = 0.25
"""Share of a cell that must be seen in both."""


def _judged(reference: Look, exposure: Look, motion: Motion) -> Registered:
    """Compare what is fine in cells of 5.6 degrees."""
    width = min(512, reference.share.shape[1])
    (log, weight), other = reference.level(width), exposure.level(width)
    laid = motion.seen(np.stack(other, axis=-1))
    other_log, other_weight = laid[..., 0], laid[..., 1]
    both = ((weight > 0) & (other_weight > 0)).astype(np.float32)
    ratio = _ratio(reference, exposure, motion, width)
    around = _around(both)
    one, two = (_fine(picture, both, around) * both for picture in (log, other_log))
    noise = [both / np.maximum(w, 1) for w in (weight, other_weight)]
    planes = np.stack([one * one, two * two, one * two, *noise, both], axis=-1)
    power_one, power_two, shared, noise_one, noise_two, area = np.moveaxis(
        _halved(planes, width // 64), -1, 0
    )
    over = np.maximum(power_one / np.maximum(noise_one, 1e-9), power_two / np.maximum(noise_two, 1e-9))
    tells = (over > _TEXTURE**2) & (area > _LEAST_AREA)
    powers = np.maximum(power_one, noise_one) * np.maximum(power_two, noise_two)
    alike = tells & (shared > _ALIKE * np.sqrt(powers))
    solid = _cosine(len(area)) * np.ones_like(area)
    told = float((solid * tells).sum())
    if not told:
        return Registered(motion, ratio, 0.0, 0.0, 0.0)
    drift = _halved(np.sum(motion.drift**2, axis=-1)[..., None], GRID // 64)[..., 0]
    parallax = float(np.degrees(np.sqrt((solid * tells * drift).sum() / told)))
    agreement = float((solid * alike).sum() / told)
    return Registered(motion, ratio, agreement, told / float(solid.sum()), parallax)


def _ratio(reference: Look, exposure: Look, motion: Motion, width: int) -> float:
    """How much more light the exposure took, in EV: the median over cells, each by its sums of light.

    Means of logarithms would be low where there is noise, and so would be light chosen by its own noise.
    """
    by = reference.share.shape[1] // width
    share = _halved(reference.share, by)
    laid = motion.seen(
        np.concatenate([_halved(exposure.share, by), exposure.level(width)[1][..., None]], axis=-1)
    )
    weight = np.minimum(reference.level(width)[1], laid[..., 3])
    sure = (weight > _SURE) * _cosine(width // 2)
    cells = _halved(
        np.stack([share.mean(-1) * sure, laid[..., :3].mean(-1) * sure, weight * sure], -1), width // 64
    )
    ours, theirs, heavy = np.moveaxis(cells, -1, 0)
    known = (ours > 0) & (theirs > 0)
    if not known.any():
        return 0.0
    logs = np.log2(np.where(known, theirs, 1) / np.where(known, ours, 1))
    return _weighted_median(logs, heavy * known)


def _cosine(height: int) -> Picture:
    """Of the pitch of rows, shape (height, 1)."""
    pitch = np.radians(pitch_of_row(np.arange(height), height))
    return np.cos(pitch)[:, None].astype(np.float32)


def _around(both: Picture) -> Picture:
    """Share of the surroundings of each pixel that is seen in both."""
    return np.asarray(np.maximum(cv2.blur(both, (11, 11)), 1e-3), np.float32)


def _fine(log: Picture, both: Picture, around: Picture) -> Picture:
    """What sets a pixel off from its surroundings, where they are seen in both."""
    return np.asarray(log - cv2.blur(log * both, (11, 11)) / around, np.float32)


def _weighted_median(values: Picture, weight: Picture) -> float:
    order = np.argsort(values, axis=None)
    heaped = np.cumsum(weight.reshape(-1)[order], dtype=np.float64)
    return float(values.reshape(-1)[order[np.searchsorted(heaped, heaped[-1] / 2)]]) if heaped[-1] else 0.0
