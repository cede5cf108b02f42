"""Nadir: the floor under the camera, as if no monopod had stood there."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from panopipe.frame import Band, Frame, FrameFacts, FrameKey, Rows
from panopipe.setting import AUTO, Auto, choice, number, picture, switch
from panopipe.sphere.from_view import write_view
from panopipe.sphere.geometry import row_of_pitch
from panopipe.sphere.views import View, frame_focal_px, straight_down, view_from_frame
from panopipe.stage import Applied, JobFacts, Note, Observation, Prepared, Solution, SpanStage, StageContext
from panopipe.studies.floor.edge import Edge
from panopipe.studies.floor.edge_search import floor_edge
from panopipe.studies.floor.extent import Extent, floor_extent
from panopipe.studies.floor.fill import Filled, fill_floor
from panopipe.studies.floor.flaws import Flaw, gravest_flaw
from panopipe.studies.floor.floor_map import FloorMap, Place, floor_map
from panopipe.studies.floor.footprint import Footprint, RingMap, find_footprint, ring_map
from panopipe.studies.floor.graft import graft, sharpness
from panopipe.studies.floor.neighbours import best_neighbours
from panopipe.studies.floor.outline import Outline, circle, outline_of_picture
from panopipe.studies.floor.patch import put_patch
from panopipe.studies.floor.pole_shadow import PoleShadow
from panopipe.studies.floor.register import WarpedNeighbour, lay
from panopipe.studies.floor.shadow_fill import without_shadows
from panopipe.studies.floor.shared_rig import with_shared
from panopipe.studies.floor.soft_shade import with_seen
from panopipe.studies.floor.soften import fill_softly

_SURE_ENOUGH, _DOUBTFUL = 0.5, 0.3
"""Certainty from which something stands under the camera, and from which a person should look."""
_STRANGE, _REGULAR = 0.036, 0.75
"""Contrast of broad forms around the hole, shown nowhere else, from which a person should look; and agreement
of a floor with itself from which such forms are its own, strong pattern."""
_CLOSE_BY = 0.04
"""Share of something else than floor around the hole from which a person should know."""
_TOO_LITTLE = 0.6
"""Share of something else from which too little floor is left to rebuild it from."""
_SMALLEST_PX = 256
"""Width of the smallest frame whose floor is rebuilt."""
_FEATHER_PX = 2.0
_NOTHING = "nothing found"
"""How a floor is noted on which nothing stands."""
_SURROUNDINGS = 2.8
"""How far the floor is looked at, in radii of what is covered: further out little was gained (0.1 dB)."""
_READ_TO_DEG, _SEEN_TO_DEG = 72.0, 50.0
"""Angles from the nadir to which the frame's floor is read, for long shadows and neighbours, and to which it
is looked at around the hole."""
_HALO_DEG, _ROOM = 1.0, 0.02
"""How far beside a foot's outline floor is surely seen, in shade: outlines are drawn in by as much; and how
far beside a thin shadow, in camera heights."""
_SAME_FLOOR = 0.75
"""Agreement around the hole from which a neighbour's floor is taken for the frame's own."""


@dataclass(frozen=True)
class NadirSettings:
    """Settings of the nadir stage."""

    fill: str = choice(
        "floor",
        "what to put under the camera: the rebuilt floor, your own round picture, a soft blur, floor over "
        "the foot's shadow only, or leave all as it is",
        choices=("floor", "picture", "soft", "shadow", "leave"),
    )
    camera_height_m: float = number(1.5, "height of the lens above the floor", low=0.2, high=12, unit="m")
    foot_radius_m: float | Auto = number(
        AUTO,
        "radius of the monopod's foot on the floor; auto finds what stands there in the frames",
        low=0.01,
        high=1.5,
        unit="m",
        auto=True,
    )
    margin_deg: float = number(
        0.5, "how much further than the foot and its shadow to cover", low=0, high=5, unit="degrees"
    )
    foot_picture: str = picture(
        "what to cover, seen straight down: white covers, black keeps; its sides span 60 degrees, "
        "its top is the middle of the frame"
    )
    patch_picture: str = picture('the round picture for fill = "picture"')
    patch_radius_deg: float = number(
        12.0, "radius of the round picture, seen from the camera", low=1, high=40, unit="degrees"
    )
    patch_heading_deg: float = number(
        0.0,
        "direction to which the round picture's top points; 0 is the middle of the frame, 90 right of it",
        low=-360,
        high=360,
        unit="degrees",
    )
    use_neighbours: bool = switch(
        True, "take real floor from a neighbouring frame of the same room where it can be matched"
    )

    def __post_init__(self) -> None:
        if self.fill == "picture" and not self.patch_picture:
            raise ValueError('fill: "picture" needs patch_picture, the name of a picture in the job folder')


@dataclass(frozen=True, slots=True)
class _Seen:
    """One frame in the survey."""

    ring: RingMap
    floor: FloorMap | None


@dataclass(frozen=True, slots=True)
class _Solved:
    """What all frames together say of one."""

    footprint: Footprint
    places: Mapping[FrameKey, Place]


@dataclass(frozen=True, slots=True)
class _Plan:
    """What the bottom rows need: what to cover, what of it is the foot itself, and the round picture."""

    outline: Outline
    foot: Outline
    patch: Rows | None = None
    neighbours: tuple[tuple[FrameKey, Band, Place], ...] = ()
    shadows: tuple[PoleShadow, ...] = ()


class Nadir(SpanStage[NadirSettings, _Plan]):
    """Rebuilds the floor under the camera."""

    name: ClassVar[str] = "nadir"
    version: ClassVar[int] = 48
    summary: ClassVar[str] = "covers the monopod and its shadow with floor, or with your picture"
    Settings: ClassVar[type] = NadirSettings
    notes: ClassVar[Mapping[str, Note]] = {
        "fill_method": Note("where the floor under the camera came from"),
        "mask_source": Note("what told where the support stands"),
        "mask_certainty": Note("how sure that is, 0 to 1"),
        "support_found": Note("1 where something stands under the camera, 0 where nothing does"),
        "pole_shadows": Note("how many thin shadows were rebuilt"),
        "mask_radius_deg": Note("mean radius of what was covered", "degrees"),
        "mask_largest_deg": Note("largest radius of what was covered", "degrees"),
        "other_than_floor_share": Note("part of the surroundings that is no floor"),
        "ring_agreement": Note("how well the floor repeats around what was covered, 0 to 1"),
        "strange_contrast": Note("how much of the floor shows nowhere else"),
        "flaw": Note("the gravest thing in the finished floor that floor around it does not show"),
        "flaw_size": Note("how far it goes beyond what whole floors show; a flaw from 1 on"),
        "flaw_place": Note("whether it lies in what was covered, or beside it"),
        "flaw_yaw_deg": Note("where it lies", "degrees"),
        "flaw_pitch_deg": Note("where it lies", "degrees"),
        "neighbour_agreement": Note("how well the neighbour's floor agrees, 0 to 1"),
        "neighbour_sharpness": Note("sharpness of the neighbour's floor against this one's"),
    }

    def settings_for_survey(self, settings: NadirSettings) -> NadirSettings:
        """Whether neighbours are wanted is all that a look at the frames depends on."""
        return NadirSettings(use_neighbours=_wants_neighbours(settings))

    def survey(self, frame: Frame, settings: NadirSettings) -> _Seen:
        """See the surroundings of the nadir."""
        return _Seen(ring_map(frame.rows), floor_map(frame.rows) if _wants_neighbours(settings) else None)

    def solve(
        self, observed: Mapping[FrameKey, Observation[NadirSettings]], job: JobFacts
    ) -> Mapping[FrameKey, Solution]:
        """Find the monopod that all frames share, and for each frame the neighbour that saw its floor."""
        keys = sorted(observed)
        if not keys:
            return {}
        seen = {key: observed[key].seen for key in keys}
        rings = [one.ring for one in seen.values()]
        footprints = with_shared(find_footprint(rings), rings)
        maps = {key: one.floor for key, one in seen.items() if one.floor is not None}
        places = best_neighbours(maps, job.rooms)
        return {
            key: Solution(_Solved(footprint, places.get(key, {})), neighbours=tuple(places.get(key, {})))
            for key, footprint in zip(keys, footprints, strict=True)
        }

    def span(self, facts: FrameFacts, settings: NadirSettings) -> tuple[int, int]:
        """Rows around the nadir: the hole and enough floor to learn from."""
        if settings.fill == "leave":
            return facts.height, facts.height
        return math.floor(row_of_pitch(_READ_TO_DEG - 90, facts.height)), facts.height

    def prepare(self, context: StageContext, settings: NadirSettings) -> Prepared[_Plan]:
        """Settle what to cover."""
        if settings.fill == "leave":
            return Prepared(notes={"fill_method": "left as it is"})
        if context.reduced.facts.width < _SMALLEST_PX:
            return Prepared(
                notes={"fill_method": "left as it is"},
                review_reasons=(
                    f"A frame under {_SMALLEST_PX} px wide shows too little floor to rebuild it.",
                ),
            )
        patch = context.pictures.get("patch_picture")
        if settings.fill == "picture" and patch is not None:
            return Prepared(
                _Plan(circle(settings.patch_radius_deg), circle(settings.patch_radius_deg), patch)
            )
        foot, outline, notes, review_reasons = _to_cover(context, settings)
        if foot is None or outline is None:
            return Prepared(notes={"fill_method": _NOTHING, **notes}, review_reasons=review_reasons)
        places = context.solution.places if isinstance(context.solution, _Solved) else {}
        given = context.neighbours
        seen = tuple((key, given[key], place) for key, place in places.items() if key in given)
        shadows = _pole_shadows(context) if "support_found" in notes else ()
        plan = _Plan(outline.grown(settings.margin_deg), foot, patch, seen, shadows)
        notes["pole_shadows"] = float(len(shadows))
        if settings.foot_radius_m == AUTO and "support_found" in notes:
            radius_m = settings.camera_height_m * math.tan(math.radians(min(foot.mean_deg, 80.0)))
            notes["foot_radius_m"] = round(radius_m, 3)
        notes["mask_radius_deg"] = round(plan.outline.mean_deg, 2)
        notes["mask_largest_deg"] = round(plan.outline.largest_deg, 2)
        return Prepared(plan, notes, review_reasons)

    def apply(self, band: Band, settings: NadirSettings, prepared: _Plan) -> Applied:
        """Change the pixels under the mask, and no other."""
        plan: _Plan | None = prepared
        if plan is None:
            return Applied(band.rows)
        if settings.fill == "picture" and plan.patch is not None:
            heading_deg = settings.patch_heading_deg - band.facts.anchor_yaw_deg
            put_patch(band.rows, band.first, plan.patch, settings.patch_radius_deg, heading_deg)
            return Applied(band.rows, {"fill_method": "picture"})
        without_shadows(band.rows, band.first, plan.shadows, plan.outline)
        view = _view_for(band, plan.outline.largest_deg)
        seen = view_from_frame(band.rows, band.first, view)
        distance = plan.outline.distance(view)
        cover = _cover(distance)
        if settings.fill == "shadow":
            cover = np.minimum(cover, 1 - _cover(plan.foot.distance(view)))
        around = _Around(seen, distance < _FEATHER_PX)
        way, flaw = _least_flawed(_ways(band, view, around, distance, plan, settings), around, cover)
        notes = way.notes | ({} if flaw is None else _flaw_notes(flaw, view, band.facts))
        write_view(band.rows, band.first, view, way.picture, cover, kernel="lanczos")
        return Applied(band.rows, notes, way.review_reasons)


@dataclass(frozen=True, slots=True, eq=False)
class _Way:
    """The view with its hole filled in one way, taking two floors to meet at an edge or not; what is noted of
    it, and what a person should look at.
    """

    picture: Rows
    edge: Edge | None
    notes: dict[str, float | str]
    review_reasons: tuple[str, ...] = ()


@dataclass(eq=False)
class _Around:
    """The view with a hole, and what the floor around it tells: sought once, where it is asked for."""

    seen: Rows
    hole: NDArray[np.bool_]

    @cached_property
    def edge(self) -> Edge | None:
        """Where two kinds of floor meet in the hole."""
        return floor_edge(self.seen, np.ones_like(self.hole), self.hole)

    @cached_property
    def extent(self) -> Extent:
        """How far the floor goes."""
        return floor_extent(self.seen, self.hole)


def _least_flawed(
    ways: Iterable[_Way], around: _Around, cover: NDArray[np.float32]
) -> tuple[_Way, Flaw | None]:
    """The first way that leaves no flaw, or else that which leaves the least."""
    judged: list[tuple[_Way, Flaw]] = []
    for way in ways:
        if way.notes["fill_method"] == "soft":
            if not judged:
                return way, None
            continue
        shown = around.seen + (way.picture - around.seen) * cover[..., None]
        flaw = gravest_flaw(shown, cover > 0, way.edge)
        judged.append((way, flaw))
        # A gap in a joint or a smear is not mended by a way that knows less; an arc may be no edge at all.
        straight = way.edge is None or way.edge.bend == 0
        if flaw.size < 1 or (straight and flaw.kind in ("joint", "blur")):
            break
    return min(judged, key=lambda one: one[1].size)


def _ways(
    band: Band,
    view: View,
    around: _Around,
    distance: NDArray[np.float32],
    plan: _Plan,
    settings: NadirSettings,
) -> Iterator[_Way]:
    """Fill the hole in the view the best way there is; in others for the case that it leaves a flaw."""
    seen, hole = around.seen, around.hole
    if settings.fill == "soft":
        yield _Way(fill_softly(seen, hole), None, {"fill_method": "soft"})
        return
    laid = _laid(band, view, seen, distance, plan)
    if laid is None or laid[2] < 1:
        shown = _shown(plan, view)
        rebuilt = _rebuilt(around, shown, settings, around.edge)
        # What shows more of the floor's own detail: its repeat close by, or the neighbour from afar.
        repeats = laid is not None and float(rebuilt.notes.get("ring_agreement", 0.0)) >= laid[2]
        if laid is None or (repeats and not rebuilt.review_reasons):
            yield rebuilt
            # Rows of a rug's pattern may be taken for its edge.
            if around.edge is not None:
                yield _rebuilt(around, shown, settings, None)
    if laid is not None:
        key, floor, sharp = laid
        notes: dict[str, float | str] = {
            "fill_method": f"seen from {key}",
            "neighbour_agreement": round(floor.agreement, 3),
            "neighbour_sharpness": round(sharp, 3),
        }
        yield _Way(graft(seen, hole, floor.light), around.edge, notes)


def _shown(plan: _Plan, view: View) -> NDArray[np.bool_]:
    """Where the view shows floor, if in the foot's soft shade."""
    shown = plan.foot.grown(_HALO_DEG).distance(view) > 0
    right, up = view.plane()
    for shadow in plan.shadows:
        shown &= ~shadow.over(right, up, _ROOM)
    return shown


def _rebuilt(around: _Around, shown: NDArray[np.bool_], settings: NadirSettings, edge: Edge | None) -> _Way:
    """Continue the floor from around the hole, as far as there is any."""
    seen, hole, extent = around.seen, around.hole, around.extent
    result = None
    if extent.other_share < _TOO_LITTLE:
        result = fill_floor(seen, extent.floor, hole, unlike=extent.unlike, edge=edge, shown=shown)
    notes: dict[str, float | str] = {"other_than_floor_share": round(extent.other_share, 3)}
    if result is None:
        return _Way(fill_softly(seen, hole), edge, {"fill_method": "soft", **notes}, (_SENTENCES["little"],))
    notes["fill_method"] = "floor" if settings.fill == "floor" else "shadow only"
    notes["ring_agreement"] = round(result.ring_agreement, 3)
    notes["strange_contrast"] = round(result.strange, 4)
    return _Way(with_seen(seen, result.picture, hole, shown), edge, notes, _doubts(extent, result))


_SENTENCES = {
    "doubt": "Something may stand under the camera, but it is hardly told from the floor, so nothing was "
    "changed: look, and if something shows, set foot_radius_m.",
    "little": "Too little floor is left around the monopod to rebuild it from, so a soft blur was put there: "
    'paint this one by hand, or set fill = "picture".',
    "other": "Something other than the floor under the camera (a wall, furniture, a lawn, water) comes close "
    "to the monopod: nothing was copied from it; look at the rebuilt floor beside it.",
    "strange": "The floor around the monopod holds forms that show nowhere else: look at the rebuilt floor.",
}


def _doubts(extent: Extent, result: Filled) -> tuple[str, ...]:
    """What a person should look at in a rebuilt floor."""
    doubts = {
        "other": extent.other_share >= _CLOSE_BY and not result.edge,
        "strange": result.strange >= _STRANGE and result.ring_agreement < _REGULAR,
    }
    return tuple(_SENTENCES[name] for name, so in doubts.items() if so)


def _flaw_notes(flaw: Flaw, view: View, facts: FrameFacts) -> dict[str, float | str]:
    """What a look at the finished floor found, and where in the frame's file."""
    right, up = (
        (flaw.column + 0.5 - view.width / 2) / view.focal_px,
        (view.height / 2 - flaw.row - 0.5) / view.focal_px,
    )
    yaw_deg = math.degrees(math.atan2(right, up)) + facts.anchor_yaw_deg
    return {
        "flaw": flaw.kind,
        "flaw_size": round(flaw.size, 2),
        "flaw_place": "beside" if flaw.beside else "inside",
        "flaw_yaw_deg": round((yaw_deg + 180) % 360 - 180, 1),
        "flaw_pitch_deg": round(math.degrees(math.atan(math.hypot(right, up))) - 90, 1),
    }


def _wants_neighbours(settings: NadirSettings) -> bool:
    return settings.fill == "floor" and settings.use_neighbours


def _laid(
    band: Band, view: View, seen: Rows, distance: NDArray[np.float32], plan: _Plan
) -> tuple[FrameKey, WarpedNeighbour, float] | None:
    """The first neighbour whose floor agrees with the frame's own around the hole, at full size only."""
    hole = distance < _FEATHER_PX
    ring = (distance > 2 * _FEATHER_PX) & (distance < 0.8 * math.sqrt(hole.sum() / math.pi))
    for key, other, place in plan.neighbours:
        if other.rows.shape[1] != band.rows.shape[1]:
            continue
        laid = lay(seen, hole, ring, view, other.rows, other.first, place)
        if laid is not None and laid.agreement >= _SAME_FLOOR:
            return key, laid, sharpness(seen, laid.light, ring & laid.valid)
    return None


def _to_cover(
    context: StageContext, settings: NadirSettings
) -> tuple[Outline | None, Outline | None, dict[str, float | str], tuple[str, ...]]:
    """Outline of the foot, outline of foot and shadow, how they were had, and what a person should know.

    No outlines where nothing stands under the camera.
    """
    drawn = context.pictures.get("foot_picture")
    if drawn is not None:
        outline = outline_of_picture(drawn, field_deg=60).turned(-context.reduced.facts.anchor_yaw_deg)
        return outline, outline, {"mask_source": "foot_picture"}, ()
    if settings.foot_radius_m != AUTO:
        foot = circle(math.degrees(math.atan(float(settings.foot_radius_m) / settings.camera_height_m)))
        return foot, foot, {"mask_source": "foot_radius_m"}, ()
    solved: _Solved | None = context.solution
    footprint = (
        solved.footprint if solved is not None else find_footprint([ring_map(context.reduced.rows)])[0]
    )
    stands = footprint.certainty >= _SURE_ENOUGH
    notes: dict[str, float | str] = {
        "mask_source": "the frames themselves" if stands else _NOTHING,
        "mask_certainty": round(footprint.certainty, 3),
        "support_found": float(stands),
    }
    if stands:
        return footprint.foot, footprint.outline, notes, ()
    doubts = (_SENTENCES["doubt"],) if footprint.certainty >= _DOUBTFUL else ()
    return None, None, notes, doubts


def _pole_shadows(context: StageContext) -> tuple[PoleShadow, ...]:
    """Thin shadows of the pole that the survey found."""
    return context.solution.footprint.shadows if isinstance(context.solution, _Solved) else ()


def _view_for(band: Band, radius_deg: float) -> View:
    """Straight-down view at the frame's own resolution, as wide as the hole's surroundings are needed."""
    focal_px = frame_focal_px(band.rows.shape[1])
    most = math.tan(math.radians(_SEEN_TO_DEG)) / math.sqrt(2) - 8 / focal_px
    reach = min(_SURROUNDINGS * math.tan(math.radians(radius_deg)), most)
    return straight_down(2 * math.floor(reach * focal_px), focal_px)


def _cover(distance: NDArray[np.float32]) -> NDArray[np.float32]:
    """Full cover inside the outline, none a feather's width outside."""
    cover: NDArray[np.float32] = np.clip(0.5 - distance / _FEATHER_PX, 0, 1).astype(np.float32)
    return cover
