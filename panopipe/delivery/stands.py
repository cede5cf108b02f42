"""What a delivery tells of where frames stood: links for a viewer and a map, by the names of its pictures."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from panopipe.delivery.choice import Chosen
from panopipe.delivery.map import NAME as MAP
from panopipe.delivery.map import map_svg
from panopipe.state.stands import Picture, links_document, links_json, read_stands

LINKS = "links.json"


def stand_papers(folder: Path, title: str, pictures: Sequence[tuple[str, Chosen]]) -> dict[str, bytes]:
    """Links and map by name; nothing where no run looked for where frames stood, or no frame could be placed.

    Parameters
    ----------
    folder : Path
        The job folder.
    title : str
        Of the job.
    pictures : sequence of tuple of str and Chosen
        Pictures with their names in the delivery, in walking order.
    """
    stands = read_stands(folder)
    short = {chosen.record.key: name.rpartition("/")[2].removesuffix(".jpg") for name, chosen in pictures}
    drawn = map_svg(title, stands, short)
    if not drawn:
        return {}
    linked = {
        chosen.record.key: Picture(name, chosen.export.width, chosen.export.height)
        for name, chosen in pictures
    }
    return {LINKS: links_json(links_document(title, stands, linked)), MAP: drawn}
