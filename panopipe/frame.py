"""A frame: linear light on the whole sphere, and the facts that travel with it.

Every array between decode and export has one form: float32, shape (rows, width, 3), linear light with
ITU-R BT.2020 primaries and the D65 white, 1.0 at diffuse white of the exposure as recorded, values above
1.0 allowed. Column 0 is the frame's *anchor column* (see `FrameFacts`), row 0 lies under the zenith.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from panopipe.capture import Capture

Rows = NDArray[np.float32]
"""float32 (rows, width, 3), linear light in the working space."""

Notes = Mapping[str, float | str]
"""What a stage found out, by name; a number's unit is in its name (`exposure_ev`, `mask_radius_deg`)."""


CAMERA_FOLDER = re.compile(r"[1-9]\d\d[A-Za-z0-9_]{1,5}|DCIM|MISC", re.ASCII)
"""Three digits and up to five letters: how cameras name their folders (JEITA CP-3461, DCF; from memory)."""


class FrameKey(NamedTuple):
    """Which frame of a job: its room and its name, as the folders spell them."""

    room: str
    name: str

    @property
    def named_room(self) -> str:
        """The room, if a person named it; empty for a camera's own folder."""
        return "" if CAMERA_FOLDER.fullmatch(self.room) else self.room

    @property
    def exact(self) -> str:
        """ROOM/FRAME, or `./FRAME` in no room: a text that a command takes for nothing but this frame."""
        return f"{self.room or '.'}/{self.name}"

    def __str__(self) -> str:
        return f"{self.room}/{self.name}" if self.room else self.name


@dataclass(frozen=True, slots=True, eq=False)
class NoiseFacts:
    """What a frame's own samples tell of its noise; the noise study says how it is measured.

    Attributes
    ----------
    energy : ndarray of shape (4, 2, 3, 3, 12), dtype float32
        Variance of the finest structure where it varies least: by stretch of the row, scale, band, plane
        and bin of light; 0 where too little of the frame tells it.
    light : ndarray of shape (4, 12, 3), dtype float32
        Mean samples of those places, 1 at saturation.
    light_from_samples : ndarray of shape (3, 3), dtype float64
        Such samples to linear light.
    width : int
        Pixels of the frame that it was measured on.
    profile : ndarray of shape (3, 2), dtype float64, or None
        What the file tells: the variance of a sample x of a plane is the first times x, plus the second.
    edge_ratio : float
        Energy of the finest scale over that of the next at the frame's sharpest edges; 0 where it has none.
    exposures : tuple of float
        Light that each exposure of a merged frame took, against the reference; (1.0,) for one exposure.
    """

    energy: NDArray[np.float32]
    light: NDArray[np.float32]
    light_from_samples: NDArray[np.float64]
    width: int
    profile: NDArray[np.float64] | None = None
    edge_ratio: float = 0.0
    exposures: tuple[float, ...] = (1.0,)

    def __eq__(self, other: object) -> bool:
        """Whether both tell the same."""
        return isinstance(other, NoiseFacts) and all(
            np.array_equal(getattr(self, name), getattr(other, name)) for name in self.__slots__
        )

    __hash__ = None  # type: ignore[assignment]


@dataclass(frozen=True, slots=True)
class FrameFacts:
    """What is known of a frame besides its light.

    Attributes
    ----------
    key : FrameKey
        Room and name.
    width, height : int
        Pixels of the full frame, 2:1.
    anchor_column : int
        The column of the file that is column 0 of every array a stage sees. Decode finds it in the
        picture itself, so that a frame turned by whole pixels reaches the stages as the very same array,
        and export turns it back: every stage is then exact under a turn, whatever grid it works on.
    capture : Capture
        How the frame was taken.
    correction : ndarray of shape (3, 3), dtype float64, or None
        The white-balance correction still to come, working space to working space; None once it is
        applied or when there is none. A stage that judges chroma before balance applies this first and
        its inverse after.
    light : ndarray of shape (height, width, 2), dtype float32, or None
        How the light of each place differs from the frame's white, which `correction` makes neutral: in log
        cone ratios (`panopipe.studies.white.cones`), on a grid over the whole sphere. None once a stage has
        evened it out, or when it is not known.
    evened : ndarray of shape (height + 2, width + 2, 3), dtype float32, or None
        Gains of the channels with which a stage took `light` out, on a grid over the whole sphere that is
        continued by one cell on all sides; None if none did.
    clips_at : tuple of float or None
        Levels of neutral light, as decoded, at which the first and the last plane of the sensor clip. What
        decode rebuilt lies between them, and what clipped in all planes at the last; None if nothing clips.
    white_xy : tuple of float or None
        Chromaticity of the light that decode made neutral (the camera's own setting or a fixed one); None
        when the file does not tell. With it a white can be named by the kelvin of the real light.
    noise : NoiseFacts or None
        What was found out about the noise of the frame as recorded.
    grain : float
        Standard deviation of the noise of lightness that is left, against the light of the room's dimmer
        surfaces; 0 as long as nothing is known of it.
    turned_columns : int
        Columns by which the finished picture is turned to the left, so that frames face one way: what the
        file has there comes to column 0.
    proof : bool
        Whether it is a frame made smaller, or a piece of one, to judge settings by. It is never enlarged.
    """

    key: FrameKey
    width: int
    height: int
    anchor_column: int = 0
    capture: Capture = field(default_factory=Capture)
    correction: NDArray[np.float64] | None = None
    light: NDArray[np.float32] | None = None
    evened: NDArray[np.float32] | None = None
    clips_at: tuple[float, float] | None = None
    white_xy: tuple[float, float] | None = None
    noise: NoiseFacts | None = None
    grain: float = 0.0
    turned_columns: int = 0
    proof: bool = False

    @property
    def finished_anchor_column(self) -> int:
        """Column of the finished picture that is column 0 of every array a stage sees."""
        return (self.anchor_column - self.turned_columns) % self.width

    @property
    def anchor_yaw_deg(self) -> float:
        """Degrees to add to a yaw in the arrays to get the yaw in the file."""
        return 360.0 * self.anchor_column / self.width


@dataclass(frozen=True, slots=True)
class Frame:
    """Light and facts. `rows` may be the frame at reduced size; `facts` always tell of the full one.

    Attributes
    ----------
    rows : ndarray of shape (height, width, 3), dtype float32
        Linear light in the working space, the whole sphere.
    facts : FrameFacts
        Facts of the full-size frame.
    """

    rows: Rows
    facts: FrameFacts


@dataclass(frozen=True, slots=True)
class Band:
    """Neighbouring rows of a frame, at full or reduced size.

    Attributes
    ----------
    rows : ndarray of shape (margin + n + margin, width, 3), dtype float32
        Linear light in the working space. Whoever is handed a band owns its memory, unless it has a margin.
    first : int
        Row of the frame that `rows[margin]` is; the frame is `height` rows high.
    facts : FrameFacts
        Facts of the full-size frame. The run also sends the reduced frame through a stage, as one band
        that holds all of it: take the size from the band, not from the facts.
    margin : int
        Further rows above and below, for a stage that needs to see them; beyond a pole they are those on
        the other side of it, turned by half the width.
    """

    rows: Rows
    first: int
    facts: FrameFacts
    margin: int = 0

    @property
    def height(self) -> int:
        """Rows of the whole frame of which this is a part: half its width."""
        return int(self.rows.shape[1]) // 2

    @property
    def last(self) -> int:
        """One past the last row, the margin left out."""
        return self.first + int(self.rows.shape[0]) - 2 * self.margin
