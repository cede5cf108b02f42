"""What seams between layers of a picture cost, and messages that tell it from line to line."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from panopipe.pixels.compiled import compiled

Planes = NDArray[np.float32]
Bytes = NDArray[np.uint8]


@compiled("window_gap")
def window_gap(planes: Planes, top: int, left: int, window: Planes, out: Planes) -> None:
    """Sum the squared differences between a window and the part of a picture that begins at a corner.

    Parameters
    ----------
    planes : ndarray of shape (channels, height, width), dtype float32
        Contiguous.
    top, left : int
        The corner; the window lies in the picture.
    window : ndarray of shape (channels, h, w), dtype float32
        Contiguous.
    out : ndarray of shape (h, w), dtype float32
        Takes the sums, added up from the first channel on.
    """
    _, height, width = window.shape
    gap = planes[:, top : top + height, left : left + width] - window
    np.square(gap, out=gap)
    np.add.reduce(gap, axis=0, out=out)


@compiled("pair_gaps")
def pair_gaps(planes: Planes, channels: int, known: Bytes, strange: float, out: Planes) -> None:
    """Sum the squared differences between each two layers.

    Parameters
    ----------
    planes : ndarray of shape (k * channels, height, width), dtype float32
        The channels of the first layer, of the second, and so on; contiguous.
    channels : int
        Channels of a layer.
    known : ndarray of shape (k, height, width), dtype uint8
        1 where a layer is known, 0 elsewhere; contiguous.
    strange : float
        What stands where one of the two is not known.
    out : ndarray of shape (height, k (k - 1) / 2, width), dtype float32
        Takes the sums of layers 0 and 1, 0 and 2, to the last two, line by line; contiguous.
    """
    layers = planes.reshape(len(known), channels, *planes.shape[1:])
    pairs = zip(*np.triu_indices(len(known), 1), strict=True)
    for index, (first, second) in enumerate(pairs):
        gap = np.square(layers[second] - layers[first]).sum(0)
        out[:, index] = np.where(known[first] & known[second], gap, np.float32(strange))


@compiled("sweep")
def sweep(own: Planes, costs: Planes, linked: Bytes, forth: Planes, back: Planes) -> None:
    """Tell each line of a picture what the lines before it believe, and then those after it.

    Min-sum messages between labels: to believe a label costs the least over the labels of the line before,
    of its price there and the price of the seam in between (those of both lines together).

    Parameters
    ----------
    own : ndarray of shape (n, k, m), dtype float32
        Price of each of up to 64 labels at each pixel, line by line; contiguous, as are all.
    costs : ndarray of shape (n, k (k - 1) / 2, m), dtype float32
        Prices of the seams between each two labels, as `pair_gaps` orders them.
    linked : ndarray of shape (n - 1, m), dtype uint8
        1 where a pixel tells that of the next line, and it back, 0 elsewhere.
    forth, back : ndarray of shape (n, k, m), dtype float32
        Messages from the line before and from the line after, less the least of each pixel; changed.
    """
    _, count, width = own.shape
    first, second = np.triu_indices(count, 1)

    def tell(belief: Planes, line: int, message: Planes) -> None:
        seam = np.zeros((count, count, width), np.float32)
        seam[first, second] = seam[second, first] = costs[line] + costs[line + 1]
        seam += belief[:, None]
        np.minimum.reduce(seam, axis=0, out=message)
        message -= np.minimum.reduce(message, axis=0)
        message *= linked[line]

    for line in range(len(own) - 1):
        tell(own[line] + forth[line], line, forth[line + 1])
    for line in reversed(range(len(own) - 1)):
        tell(own[line + 1] + back[line + 1], line, back[line])
