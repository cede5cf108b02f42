"""Padding that continues the sphere: around the side edges, and over the poles by a half-turn."""

from __future__ import annotations

from typing import TypeVar

import numpy as np

A = TypeVar("A", bound=np.generic)


def pad(
    frame: np.ndarray[tuple[int, ...], np.dtype[A]], reach: int
) -> np.ndarray[tuple[int, ...], np.dtype[A]]:
    """Continue a whole frame by `reach` pixels on all sides, as the sphere does.

    Parameters
    ----------
    frame : ndarray of shape (height, width, ...)
        A whole 2:1 frame of even width.
    reach : int
        Pixels to add on each side, at most `height`.

    Returns
    -------
    ndarray of shape (height + 2 reach, width + 2 reach, ...)
        Beyond a pole the rows come back mirrored and turned by half the width; beyond a side edge the
        columns go on at the other side.

    Raises
    ------
    ValueError
        If the width is odd, or `reach` is larger than the height.
    """
    tall = over_poles(frame, reach)
    width = tall.shape[1]
    return np.concatenate([tall[:, width - reach :], tall, tall[:, :reach]], axis=1)


def over_poles(
    frame: np.ndarray[tuple[int, ...], np.dtype[A]], reach: int
) -> np.ndarray[tuple[int, ...], np.dtype[A]]:
    """Continue a whole frame by `reach` rows over both poles; see `pad`."""
    height, width = frame.shape[:2]
    if width % 2:
        raise ValueError(f"a frame {width} wide has no half-turn; its width must be even")
    if reach > height:
        raise ValueError(f"cannot continue {height} rows by {reach}")
    over = turned(frame[:reach][::-1], width // 2)
    under = turned(frame[height - reach :][::-1], width // 2)
    return np.concatenate([over, frame, under], axis=0)


def turned(
    frame: np.ndarray[tuple[int, ...], np.dtype[A]], columns: int
) -> np.ndarray[tuple[int, ...], np.dtype[A]]:
    """Rows turned to the right by whole columns; on small frames far quicker than `numpy.roll`."""
    return np.concatenate([frame[:, -columns:], frame[:, :-columns]], axis=1) if columns else frame.copy()
