"""The settings and notes that checks speak of, by stage, in one table.

Review knows stages only by what they declare; a test holds each line to the declarations.
"""

from __future__ import annotations

from typing import NamedTuple


class SettingName(NamedTuple):
    """A setting of a stage, as recipes spell it."""

    stage: str
    key: str

    def __str__(self) -> str:
        return f"{self.stage}.{self.key}"


class NoteName(NamedTuple):
    """What a stage notes of a frame."""

    stage: str
    name: str


EXPOSURE = SettingName("tone", "exposure_ev")
HIGHLIGHTS = SettingName("tone", "highlights_ev")
SHADOWS = SettingName("tone", "shadows_ev")
KELVIN = SettingName("balance", "kelvin")
FOOT_RADIUS = SettingName("nadir", "foot_radius_m")
MARGIN = SettingName("nadir", "margin_deg")
FILL = SettingName("nadir", "fill")
FOOT_PICTURE = SettingName("nadir", "foot_picture")
TILT = SettingName("level", "tilt_deg")
TILT_TOWARD = SettingName("level", "toward_yaw_deg")
WIDTHS = SettingName("export", "widths")

CLIPPED_SHARE = NoteName("decode", "clipped_share_percent")
MERGED = NoteName("decode", "exposures_merged")
MOVED, MOVED_SHARE = NoteName("decode", "moved"), NoteName("decode", "moved_share_percent")
MOVED_YAW, MOVED_PITCH = NoteName("decode", "moved_yaw_deg"), NoteName("decode", "moved_pitch_deg")
EVENED = NoteName("light", "evened_mired")
WHITE_BY_HAND = NoteName("balance", "set_by_hand")
POLE_SHADOWS = NoteName("nadir", "pole_shadows")
LIGHT_KELVIN = NoteName("balance", "light_cct_kelvin")
OPEN_SKY = NoteName("balance", "open_sky")
WHITE_BEFORE = NoteName("balance", "white_before_x"), NoteName("balance", "white_before_y")
WHITE_AFTER = NoteName("balance", "white_after_x"), NoteName("balance", "white_after_y")
FILL_METHOD = NoteName("nadir", "fill_method")
SUPPORT_FOUND = NoteName("nadir", "support_found")
FLAW, FLAW_SIZE = NoteName("nadir", "flaw"), NoteName("nadir", "flaw_size")
FLAW_PLACE = NoteName("nadir", "flaw_place")
FLAW_YAW, FLAW_PITCH = NoteName("nadir", "flaw_yaw_deg"), NoteName("nadir", "flaw_pitch_deg")
LEVELLED = NoteName("level", "levelled_deg")
TURNED = NoteName("north", "turned_deg")
