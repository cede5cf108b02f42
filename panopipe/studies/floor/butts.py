"""Butts of boards that a hole hides, drawn whole.

A butt runs straight across one board, from one gap to the next. Enough of it shows beside the foot, in the
foot's shade too, which is rebuilt with it: where it lies, and what it looks like across. One of which nothing
shows is drawn where the boards around are laid by a rule that puts it there (see `laying`).
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from panopipe.studies.floor.boards import AS_STRONG, STEP_PX, Boards, Butt, board_in, boards_of
from panopipe.studies.floor.draw_joints import on_its_side
from panopipe.studies.floor.joints import Course
from panopipe.studies.floor.laying import hidden_butts
from panopipe.studies.floor.scene import Scene

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]
Float = NDArray[np.float64]

_ROOM_PX = 16
"""How far beyond what is hidden of a board butts are looked for, at full size."""


def with_butts(
    scene: Scene, filled: Picture, seen: Picture, shown: Mask, courses: Sequence[Course], factor: int
) -> Picture:
    """Draw butts of boards through a filled hole.

    Parameters
    ----------
    scene : Scene
        The floor at full size.
    filled : ndarray of shape (h, w, channels), dtype float32
        Its detail, with the hole filled.
    seen : ndarray of shape (h, w, channels), dtype float32
        The same as the frame shows it.
    shown : ndarray of shape (h, w), dtype bool
        Where that is floor, if in shade.
    courses : sequence of Course
        Where joints run, on the coarse grid.
    factor : int
        Pixels of that grid's blocks.

    Returns
    -------
    ndarray of shape (h, w, channels), dtype float32
    """
    boards = boards_of(courses, factor)
    if boards is None:
        return filled
    sure = shown.astype(np.float32)
    found = [
        butt
        for breadth in boards.breadths()
        for butt in _butts(seen, sure, boards, breadth, scene.hole, factor)
    ]
    found += hidden_butts(scene, seen, sure, boards, found, factor)
    drawn = filled.copy() if found else filled
    for butt in found:
        side = scene.hole & on_its_side(butt.place, butt.place, scene)
        _draw(drawn, side, boards, butt)
    return drawn


def _butts(
    seen: Picture, sure: Picture, boards: Boards, breadth: tuple[float, float], hole: Mask, factor: int
) -> list[Butt]:
    """Butts of one board that show beside what is hidden."""
    along = _along(boards, hole, breadth)
    board = board_in(seen, sure, boards, breadth, along, factor)
    if board is None:
        return []
    hidden = cv2.remap(
        hole.astype(np.float32), board.columns, board.rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT
    )
    found = []
    for best in board.lines(boards.contrast, (hidden > 0.5).any(0)):
        shown = np.flatnonzero(board.clear[:, best])
        place = np.array(
            [part[shown[len(shown) // 2], best] for part in (board.rows, board.columns)], np.float64
        )
        found.append(Butt(breadth, float(along[best]), place, board.profile(best, factor)))
    return found


def _along(boards: Boards, hole: Mask, breadth: tuple[float, float]) -> Float:
    """Places along a board that the hole may hide, and a little beyond."""
    rows, columns = np.nonzero(hole)
    along, aside = boards.reckoned(rows, columns)
    within = (aside > breadth[0]) & (aside < breadth[1])
    if not within.any():
        return np.zeros(0)
    along = along[within]
    return np.asarray(np.arange(along.min() - _ROOM_PX, along.max() + _ROOM_PX, STEP_PX), np.float64)


def _draw(drawn: Picture, hole: Mask, boards: Boards, butt: Butt) -> None:
    """Give the filled floor across a board the profile of a butt, in place, unless it shows one."""
    rows, columns = np.nonzero(hole)
    along, aside = boards.reckoned(rows, columns)
    off, profile = along - butt.along, butt.profile
    reach = len(profile) // 2 * STEP_PX
    near = (aside > butt.breadth[0]) & (aside < butt.breadth[1]) & (np.abs(off) < reach)
    if not near.any():
        return
    rows, columns, off = rows[near], columns[near], off[near]
    places = np.linspace(-reach, reach, len(profile))
    change = np.stack([np.interp(off, places, one) for one in profile.T], -1)
    own, light = drawn[rows, columns].mean(-1), change.mean(-1)
    dark, beside = np.abs(light) > 0.5 * np.abs(profile.mean(-1)).max(), np.abs(off) > 0.6 * reach
    if not dark.any() or not beside.any():
        return
    if (np.median(own[dark]) - np.median(own[beside])) / np.median(light[dark]) < AS_STRONG[0]:
        drawn[rows, columns] += change.astype(np.float32)
