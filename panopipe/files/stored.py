"""Samples as a file stores them, before any table, crop or turn: what damage is looked for in."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from panopipe.files.digest import Digest, digest_fits
from panopipe.files.samples import Samples
from panopipe.files.tiff_form import Form

_COSINE_CODED = (34892,)


@dataclass(frozen=True, slots=True)
class Stored:
    """How a file stores its samples.

    Attributes
    ----------
    samples : Samples
        Closed with the picture.
    segment : tuple of int
        Rows and columns of a strip or tile.
    largest : float
        Largest number that a sample can hold; 1.0 for floats.
    cosine_coded : bool
        Whether they come from baseline or progressive JPEG.
    path, form, digest : Path, Form or None, Digest or None
        The file, its form, and the checksum that it carries of its samples.
    """

    samples: Samples
    segment: tuple[int, int]
    largest: float
    cosine_coded: bool
    path: Path
    form: Form | None = None
    digest: Digest | None = None

    def digest_fits(self) -> bool:
        """Whether the file's own checksum is that of its samples; true if it carries none.

        Raises
        ------
        OSError, ValueError
            If the samples cannot be read.
        """
        return not (self.digest and self.form) or digest_fits(self.digest, self.samples, self.form, self.path)


def stored(path: Path, samples: Samples, form: Form, digest: Digest | None = None) -> Stored:
    """Samples of a TIFF or DNG."""
    largest = 1.0 if form.kind == "f" else 2.0**form.bits - 1
    cosine_coded = form.compression in _COSINE_CODED or (form.compression == 7 and form.bits == 8)
    return Stored(samples, form.segment, largest, cosine_coded, path, form, digest)
