"""Which of several takes to finish: the faults of each, what they cost, and the reason in a sentence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.sphere.geometry import pitch_of_row, yaw_of_column
from panopipe.sphere.rotation import register
from panopipe.studies.takes.beside import Beside, beside, lost_light, luminance, solid_share, spread
from panopipe.studies.takes.blur import blur_px, softness
from panopipe.studies.takes.changes import Region, evidence_map, levelled, regions
from panopipe.studies.takes.lean import leans_deg
from panopipe.studies.takes.seam import step_deg, steps
from panopipe.studies.takes.spots import Spot, judged
from panopipe.studies.takes.take import Fault, Kind, Mask, Take
from panopipe.studies.takes.veil import lift_ev

Float = NDArray[np.float64]

WIDTH = 512
"""Columns at which takes are laid on each other: .7 degrees, finer than a lens comes back to its place."""
SAME_PLACE = 0.4
"""Agreement of two spheres from which they show one place; made takes reach .78, unrelated places .03."""
_SMALL = (64, 128)

LEAST = {
    Kind.CLIP: 1.0,
    Kind.GLARE: 0.25,
    Kind.FLARE: 0.6,
    Kind.VISITOR: 0.05,
    Kind.BLUR: 0.35,
    Kind.LEAN: 0.6,
    Kind.SEAM: 0.28,
}
"""From where a figure is called a fault: % of the sphere more than the best take, EV, EV, % of the sphere,
logarithm of softness, degrees, EV of gain. Takes without a fault stay below half of them (made takes), but
for seams, of which one in twenty comes to the bar by chance."""
_LEAST_FULL_PX = 1.0
"""Pixels of the full frame from which blur is a fault: at 100 % on a screen it is plain (common practice, no
source)."""
_AT_LENS_EDGE = 0.16
"""The same for a seam where the file of a camera with two lenses, ahead and behind, has its seams."""
_LENS_EDGES_DEG, _NEAR_DEG = (-90.0, 90.0), 6.0
_CLEAR_SEAM = 1.5
_SEEN_THROUGH_BLUR = 0.15
"""Per cent of the sphere that someone covers at least, to be told from the blur of small bright things."""
_PERSON_COSTS = 4.0
"""Least cost of someone in the picture: a matter of privacy, whatever the size."""
_MOST = {Kind.FLARE: 3.5, Kind.LEAN: 2.0}
"""Most that a spot costs, and a lean, which can be turned upright: less than someone in the picture."""
_CLEARLY = 0.5
"""Cost by which one take must be better for the choice to be sure, or for an earlier one to be left."""


@dataclass(frozen=True, slots=True)
class Choice:
    """What became of the takes of a stand.

    Attributes
    ----------
    chosen : int
        Place of the take to finish.
    faults : tuple of tuple of Fault
        Of each take, the costliest first.
    sure : bool
        Whether the choice is clear.
    doubt : str
        Why it is not, or empty.
    agreement : float
        How well the takes could be laid on the first, the worst of them: 1 is perfect.
    """

    chosen: int
    faults: tuple[tuple[Fault, ...], ...]
    sure: bool
    doubt: str
    agreement: float


def choose(takes: Sequence[Take]) -> Choice:
    """Judge takes against each other and choose one.

    Parameters
    ----------
    takes : sequence of Take
        Two or more, of one reduced size.

    Raises
    ------
    ValueError
        If there are fewer than two, or they differ in size.
    """
    if len(takes) < 2 or len({take.rows.shape for take in takes}) > 1:
        raise ValueError(f"{len(takes)} takes of sizes {sorted({take.rows.shape[:2] for take in takes})}")
    first, *rest = (luminance(take.rows) for take in takes)
    laid = [register(first, other) for other in rest]
    poses = [np.eye(3), *(one.rotation for one in laid)]
    agreement = min(one.agreement for one in laid)
    if agreement < SAME_PLACE:
        return Choice(0, tuple(() for _ in takes), False, "they could not be laid on each other", agreement)
    faults: list[list[Fault]] = [[] for _ in takes]
    doubts = _from_places(takes, poses, faults)
    _from_whole(takes, poses, faults)
    return _weighed([_without_echoes(own) for own in faults], doubts, agreement)


def _without_echoes(own: list[Fault]) -> list[Fault]:
    """Faults of a take, without those that another one of them explains.

    A weak seam tells little where something else disturbs the comparison, and blur alone changes small
    things.
    """
    kept = [fault for fault in own if fault.kind != Kind.SEAM or fault.weight >= _CLEAR_SEAM or len(own) == 1]
    if not any(fault.kind == Kind.BLUR for fault in kept):
        return kept
    return [fault for fault in kept if fault.kind != Kind.VISITOR or fault.figure >= _SEEN_THROUGH_BLUR]


def _weighed(faults: list[list[Fault]], doubts: list[str], agreement: float) -> Choice:
    ordered = tuple(tuple(sorted(own, key=lambda fault: -fault.weight)) for own in faults)
    costs = [sum(fault.weight for fault in own) for own in ordered]
    chosen = int(np.argmin(costs))
    better = [number for number in range(chosen) if costs[number] < costs[chosen] + _CLEARLY]
    chosen = better[0] if better else chosen
    left = min(cost for number, cost in enumerate(costs) if number != chosen)
    doubt = doubts[0] if doubts else ""
    if not doubt and ordered[chosen] and left - costs[chosen] < _CLEARLY:
        doubt = "each has a fault, and none is clearly the least"
    return Choice(chosen, ordered, not doubt, doubt, agreement)


def _from_whole(takes: Sequence[Take], poses: Sequence[Float], faults: list[list[Fault]]) -> None:
    """Blur and lean."""
    for number, (extra, weight) in enumerate(_blurs(takes, poses)):
        _note(faults[number], Kind.BLUR, extra, "px", weight)
    leans = leans_deg(takes, poses)
    for number, lean in enumerate(leans or []):
        _note(faults[number], Kind.LEAN, lean, "deg", (lean - min(leans or [])) / LEAST[Kind.LEAN])


def _blurs(takes: Sequence[Take], poses: Sequence[Float]) -> list[tuple[float, float]]:
    """Blur of each take beyond that of the sharpest, in pixels of the full frame, and what it costs."""
    soft = softness(takes, poses)
    reduced = _beyond([blur_px(own) for own in soft])
    scales = [(take.full_width or take.rows.shape[1]) / take.rows.shape[1] for take in takes]
    found = [
        (extra * scale, (own - min(soft)) / LEAST[Kind.BLUR])
        for extra, scale, own in zip(reduced, scales, soft, strict=True)
    ]
    known = [take.blur_px for take in takes if take.blur_px is not None]
    if len(known) < len(takes):
        return found
    full = [(extra, extra / _LEAST_FULL_PX) for extra in _beyond(known)]
    return [max(pair, key=lambda told: told[1]) for pair in zip(found, full, strict=True)]


def _beyond(blurs: Sequence[float]) -> list[float]:
    """Gaussian that makes each of the sharpest one."""
    return [float(np.sqrt(max(blur**2 - min(blurs) ** 2, 0))) for blur in blurs]


def _from_places(takes: Sequence[Take], poses: Sequence[Float], faults: list[list[Fault]]) -> list[str]:
    """Clipped light, glare, spots, people and seams; returns what is in doubt."""
    lost = [lost_light(take, WIDTH) for take in takes]
    shares = [100 * float((each * solid_share(len(each))).sum()) for each in lost]
    doubts: list[str] = []
    for number, take in enumerate(takes):
        # One at a time: each holds a picture of every other take.
        side = beside(takes, poses, number, WIDTH)
        anchor, own = take.anchor_yaw_deg, faults[number]
        more = shares[number] - min(shares)
        _note(own, Kind.CLIP, more, "%", more / LEAST[Kind.CLIP], lost[number], anchor)
        lift = lift_ev(side)
        _note(own, Kind.GLARE, lift, "EV", lift / LEAST[Kind.GLARE])
        apart = _spots(side, number, faults, doubts, anchor, veiled=lift >= LEAST[Kind.GLARE])
        _seam(side, apart, own, anchor)
    return doubts


def _spots(
    side: Beside, number: int, faults: list[list[Fault]], doubts: list[str], anchor: float, *, veiled: bool
) -> Mask:
    """Spots and people; returns all that differs. What an uneven veil brightens is nothing of its own."""
    own, others = levelled(side)
    evidence = evidence_map(side, own, others)
    apart = np.zeros(evidence.shape, bool)
    for region in regions(evidence):
        apart |= region.mask
        most = float(evidence[region.mask].max())
        spot = judged(region, own, others, most)
        if veiled and spot.difference_ev > 0:
            continue
        if spot.in_doubt:
            doubts.append("one shows something that the other does not, and which one is not clear")
        elif spot.kind and not spot.elsewhere:
            _note_region(faults[number], region, spot, most, anchor)
    return spread(apart, 3)


def _note_region(own: list[Fault], region: Region, spot: Spot, most: float, anchor: float) -> None:
    if spot.kind == Kind.FLARE:
        _note(own, Kind.FLARE, spot.difference_ev, "EV", most / LEAST[Kind.FLARE], region.mask, anchor)
        return
    share = 100 * region.share
    weight = _PERSON_COSTS + share if share >= LEAST[Kind.VISITOR] else share / LEAST[Kind.VISITOR]
    _note(own, Kind.VISITOR, share, "%", weight, region.mask, anchor)


def _seam(side: Beside, apart: Mask, own: list[Fault], anchor: float) -> None:
    score = steps(side, apart)
    width = score.shape[1]
    yaw = yaw_of_column(np.arange(width) - 0.5, width) + anchor
    off = np.min([np.abs((yaw - edge + 180) % 360 - 180) for edge in _LENS_EDGES_DEG], axis=0)
    weights = score / np.where(off < _NEAR_DEG, _AT_LENS_EDGE, LEAST[Kind.SEAM])
    row, column = (int(at) for at in np.unravel_index(int(np.argmax(weights)), weights.shape))
    weight = float(weights[row, column])
    if weight >= 1:
        where = np.zeros(score.shape, bool)
        where[max(0, row - 14) : row + 15, [column - 1, column]] = True
        _note(own, Kind.SEAM, step_deg(side, row, column), "deg", weight, where, anchor)


def _note(
    own: list[Fault],
    kind: str,
    figure: float,
    unit: str,
    weight: float,
    mask: Mask | None = None,
    anchor: float = 0.0,
) -> None:
    """Note a fault that is large enough to be one."""
    if weight < 1:
        return
    weight = min(weight, _MOST.get(Kind(kind), weight))
    if mask is None:
        own.append(Fault(kind, figure, unit, weight))
        return
    height, width = mask.shape
    rows, columns = np.nonzero(mask)
    yaw = np.radians(yaw_of_column(columns, width))
    middle = float(np.degrees(np.arctan2(np.sin(yaw).mean(), np.cos(yaw).mean())))
    small = cv2.resize(mask.astype(np.float32), _SMALL[::-1], interpolation=cv2.INTER_AREA) > 0
    turn = round(anchor / 360 * _SMALL[1])
    own.append(
        Fault(
            kind, figure, unit, weight, (middle + anchor + 180) % 360 - 180,
            float(pitch_of_row(float(rows.mean()), height)), np.roll(small, turn, axis=1),
        )
    )  # fmt: skip
