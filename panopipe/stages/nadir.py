"""Nadir: the floor under the camera, as if no monopod had stood there."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, ClassVar

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.floor.fill import fill_floor
from panopipe.floor.outline import Outline, circle
from panopipe.floor.logs import from_log, offset_for, to_log
from panopipe.floor.poisson import fill_smoothly
from panopipe.frame import Band, FrameFacts, Rows
from panopipe.setting import AUTO, Auto, choice, number, picture, switch
from panopipe.sphere.geometry import row_of_pitch
from panopipe.sphere.views import View, frame_focal_px, straight_down, view_from_frame, write_view
from panopipe.stage import Applied, Learned, Look, SpanStage

FILLS = ("floor", "picture", "soft", "shadow", "leave")

_DEFAULT_FOOT_M = 0.17
"""Radius of the foot to reckon with where nothing was found and nothing was said."""
_FEATHER_PX = 1.5


@dataclass(frozen=True)
class NadirSettings:
    """Settings of the nadir stage."""

    fill: str = choice(
        "floor",
        "what to put under the camera: the rebuilt floor, your own round picture, a soft blur of the floor, "
        "only the foot's shadow lifted, or leave all as it is",
        choices=FILLS,
    )
    camera_height_m: float = number(1.5, "height of the lens above the floor", low=0.2, high=12, unit="m")
    foot_radius_m: float | Auto = number(
        AUTO,
        "radius of the monopod's foot on the floor; auto finds it by comparing the job's frames",
        low=0.01,
        high=1.5,
        unit="m",
        auto=True,
    )
    margin_deg: float = number(
        0.5, "how much further than the foot and its shadow to cover", low=0, high=5, unit="degrees"
    )
    foot_picture: str = picture(
        "a picture of what to cover, seen straight down: white covers, black keeps; its sides span "
        "60 degrees, its top is the middle of the frame"
    )
    patch_picture: str = picture("the round picture for fill = picture")
    patch_radius_deg: float = number(
        12.0, "radius of the round picture, seen from the camera", low=1, high=40, unit="degrees"
    )
    patch_heading_deg: float = number(
        0.0,
        "direction in the frame towards which the picture's top points; 0 is the frame's middle",
        low=-360,
        high=360,
        unit="degrees",
    )
    use_neighbours: bool = switch(
        True, "take real floor from a neighbouring frame of the same room where it can be matched"
    )


@dataclass(frozen=True, slots=True)
class _Learned:
    """What the bottom rows need: what to cover, and the patch picture."""

    outline: Outline
    patch: Rows | None = None


class Nadir(SpanStage[NadirSettings]):
    """Rebuilds the floor under the camera."""

    name: ClassVar[str] = "nadir"
    version: ClassVar[int] = 1
    summary: ClassVar[str] = "covers the monopod and its shadow with floor, or with your picture"
    Settings: ClassVar[type] = NadirSettings

    def span(self, facts: FrameFacts, settings: NadirSettings) -> tuple[int, int]:
        """Rows around the nadir: the hole and enough floor to learn from."""
        if settings.fill == "leave":
            return facts.height, facts.height
        return math.floor(row_of_pitch(-40, facts.height)), facts.height

    def learn(self, look: Look, settings: NadirSettings) -> Learned:
        """Settle what to cover."""
        if settings.fill == "leave":
            return Learned(notes={"fill_method": "left as it is"})
        patch = look.pictures.get("patch_picture")
        if settings.fill == "picture" and patch is None:
            raise ValueError('fill = "picture" needs patch_picture, the name of a picture in the job folder')
        outline = _outline_by_geometry(settings)
        notes: dict[str, float | str] = {
            "mask_radius_deg": round(outline.mean_deg, 3),
            "mask_found_by": "geometry",
        }
        return Learned(_Learned(outline, patch), notes)

    def apply(self, band: Band, settings: NadirSettings, learned: Any) -> Applied:
        """Change the pixels under the mask, and no other."""
        given: _Learned | None = learned
        if given is None:
            return Applied(band.rows)
        view = _view_for(band, given.outline.largest_deg)
        if settings.fill == "picture" and given.patch is not None:
            _put_patch(band, given.patch, settings)
            return Applied(band.rows, {"fill_method": "picture"})
        seen = view_from_frame(band.rows, band.first, view)
        distance = given.outline.distance(view)
        hole = distance < _FEATHER_PX
        if settings.fill == "soft":
            offset = offset_for(seen)
            filled = from_log(fill_smoothly(to_log(seen, offset), hole), offset)
            write_view(band.rows, band.first, view, filled, _cover(distance))
            return Applied(band.rows, {"fill_method": "soft"})
        result = fill_floor(seen, np.ones(hole.shape, np.bool_), hole)
        write_view(band.rows, band.first, view, result.picture, _cover(distance))
        return Applied(band.rows, {"fill_method": "floor", "ring_agreement": round(result.ring_agreement, 3)})


def _outline_by_geometry(settings: NadirSettings) -> Outline:
    radius_m = _DEFAULT_FOOT_M if settings.foot_radius_m == AUTO else float(settings.foot_radius_m)
    return circle(math.degrees(math.atan(radius_m / settings.camera_height_m)) + settings.margin_deg)


def _view_for(band: Band, radius_deg: float) -> View:
    """Straight-down view at the frame's own resolution, as wide as the hole's surroundings are needed."""
    focal_px = frame_focal_px(band.rows.shape[1])
    reach = min(3.2 * math.tan(math.radians(radius_deg)), math.tan(math.radians(35)))
    return straight_down(2 * math.ceil(reach * focal_px), focal_px)


def _cover(distance: NDArray[np.float32]) -> NDArray[np.float32]:
    cover: NDArray[np.float32] = np.clip(0.5 - distance / _FEATHER_PX, 0, 1).astype(np.float32)
    return cover


def _put_patch(band: Band, patch: Rows, settings: NadirSettings) -> None:
    """Write the round picture, flat to the viewer."""
    side = min(patch.shape[:2])
    top, left = (patch.shape[0] - side) // 2, (patch.shape[1] - side) // 2
    square = patch[top : top + side, left : left + side]
    focal_px = side / 2 / math.tan(math.radians(settings.patch_radius_deg))
    view = straight_down(side, focal_px, settings.patch_heading_deg - band.facts.anchor_yaw_deg)
    centre = np.arange(side) + 0.5 - side / 2
    disc = np.clip(side / 2 - np.hypot(centre[None, :], centre[:, None]), 0, 1).astype(np.float32)
    cover = cv2.multiply(square[..., 3], disc)
    write_view(band.rows, band.first, view, np.ascontiguousarray(square[..., :3]), cover)
