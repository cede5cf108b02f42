"""How a cluster is named."""

import pytest

from panopipe.cluster.place import local_workers


@pytest.mark.parametrize(
    ("place", "workers"),
    [("local:1", 1), ("local:16", 16), ("tcp://10.0.0.5:8786", 0), ("tls://studio:8786", 0)],
)
def test_an_address_or_workers_here(place: str, workers: int) -> None:
    assert local_workers(place) == workers


@pytest.mark.parametrize(
    "place", ["", "local", "local:0", "local:-1", "studio:8786", "tcp://studio", "http://a:1"]
)
def test_anything_else_is_refused_with_what_is_right(place: str) -> None:
    with pytest.raises(ValueError, match="tcp://HOST:PORT"):
        local_workers(place)
