"""Promises too long for every day, put to the test: `python -m tests.stress --help`."""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from tests.stress.at_once import set_all
from tests.stress.cards import kill_intakes
from tests.stress.clusters import kill_cluster
from tests.stress.coded import damage_coded
from tests.stress.deliveries import kill_deliveries
from tests.stress.disk import fill_all
from tests.stress.fuzz import fuzz_all
from tests.stress.kept import damage_kept
from tests.stress.kills import kill_all
from tests.stress.links import link_all
from tests.stress.many import run_many
from tests.stress.memory import GB, run_large
from tests.stress.mutations import mutate_all
from tests.stress.times import time_reruns

_ALL = [
    "coded",
    "fuzz",
    "links",
    "settings",
    "cards",
    "kills",
    "cluster",
    "deliver",
    "mutations",
    "disk",
    "kept",
    "times",
    "many",
    "memory",
]


def main() -> None:
    """Run what the command line names and print its table."""
    parser = argparse.ArgumentParser(prog="python -m tests.stress", description=__doc__)
    parser.add_argument(
        "what", nargs="*", default=["coded", "links", "kills", "mutations", "disk", "kept", "times", "memory"]
    )
    parser.add_argument("--coded", type=int, default=200, help="frames with damaged samples (200)")
    parser.add_argument("--settings", type=int, default=100, help="times that six settings meet (100)")
    parser.add_argument("--cards", type=int, default=100, help="intakes to kill (100)")
    parser.add_argument("--deliveries", type=int, default=50, help="deliveries to kill (50)")
    parser.add_argument("--many", type=int, nargs="*", default=[1000, 10000], help="frames of 64 pixels")
    parser.add_argument("--fuzz", type=int, default=5000, help="examples of each kind (5000)")
    parser.add_argument("--kills", type=int, default=200, help="processes to kill (200)")
    parser.add_argument("--lost", type=int, default=50, help="workers of a cluster to kill (50)")
    parser.add_argument("--mutations", type=int, default=5000, help="damaged inputs (5000)")
    parser.add_argument("--damages", type=int, default=200, help="runs on damaged working files (200)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--frames", type=int, default=60, help="large frames under the limit of memory (60)")
    parser.add_argument("--width", type=int, default=11968, help="their width (11968: 71.6 megapixels)")
    parser.add_argument("--limit-gb", type=float, default=8.0)
    parser.add_argument("--folder", type=Path, help="where to work; a temporary folder by default")
    asked = parser.parse_args()
    doing: dict[str, Callable[[Path], list[str]]] = {
        "coded": lambda room: damage_coded(room, asked.coded, asked.seed),
        "links": lambda room: link_all(room, seed=asked.seed),
        "settings": lambda room: set_all(room, asked.settings, asked.seed),
        "cards": lambda room: kill_intakes(room, asked.cards, asked.seed),
        "deliver": lambda room: kill_deliveries(room, asked.deliveries, asked.seed),
        "many": lambda room: run_many(room, tuple(asked.many)),
        "fuzz": lambda _: fuzz_all(asked.fuzz, asked.seed),
        "kills": lambda room: kill_all(room, asked.kills, asked.seed),
        "cluster": lambda room: kill_cluster(room, asked.lost, asked.seed),
        "mutations": lambda room: mutate_all(room, asked.mutations, asked.seed),
        "disk": fill_all,
        "kept": lambda room: damage_kept(room, asked.damages, asked.seed),
        "times": time_reruns,
        "memory": lambda room: run_large(room, asked.frames, asked.width, round(asked.limit_gb * GB)),
    }
    if unknown := sorted({*asked.what} - {*doing}):
        parser.error(f"nothing is named {' or '.join(unknown)}: {', '.join(doing)}")
    for what in asked.what:
        with tempfile.TemporaryDirectory(dir=asked.folder) as folder:
            started = time.monotonic()
            lines = doing[what](Path(folder))
            print(f"\n== {what} ({time.monotonic() - started:.0f} s)")
            print("\n".join(lines), flush=True)


if __name__ == "__main__":
    main()
