"""What is known of how a frame was taken; the bottom room, shared by files and frames."""

from __future__ import annotations

import calendar
import time
from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Capture:
    """Facts of one exposure, as its file gives them; what a file does not say is None.

    Attributes
    ----------
    taken : str or None
        DateTimeOriginal as EXIF writes it, ``YYYY:MM:DD HH:MM:SS``.
    offset : str or None
        OffsetTimeOriginal, ``+HH:MM``.
    exposure_s, f_number, iso, exposure_bias_ev, focal_length_mm : float or None
        Exposure time in seconds, aperture number, ISO speed, bias in EV, focal length in millimetres.
    make, model, lens : str or None
        Camera maker, camera model and lens model.
    artist, copyright : str or None
        Rights as the camera wrote them; the job file takes precedence at export.
    gps : mapping of int to object
        The GPS directory by tag number, empty when there is none. A position is private: export leaves
        it out unless the recipe asks for it.
    heading_deg, pitch_deg, roll_deg : float or None
        Pose of the frame's centre as the file's sphere metadata gives it, in degrees.
    """

    taken: str | None = None
    offset: str | None = None
    exposure_s: float | None = None
    f_number: float | None = None
    iso: float | None = None
    exposure_bias_ev: float | None = None
    focal_length_mm: float | None = None
    make: str | None = None
    model: str | None = None
    lens: str | None = None
    artist: str | None = None
    copyright: str | None = None
    gps: Mapping[int, object] = field(default_factory=dict)
    heading_deg: float | None = None
    pitch_deg: float | None = None
    roll_deg: float | None = None

    @property
    def seconds(self) -> float | None:
        """When it was taken by the camera's clock, in seconds from a fixed time; None if it is not told."""
        try:
            return float(calendar.timegm(time.strptime(self.taken or "", "%Y:%m:%d %H:%M:%S")))
        except ValueError:
            return None
