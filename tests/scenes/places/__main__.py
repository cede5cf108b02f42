"""Render places whose light is known: `python -m tests.scenes.places OUT [--places office ...] [--seed 0]`.

Run it from the project's root with a Python that holds bpy, OpenEXR and OpenCV, as for the sample job.
Each place goes to OUT/<place>/ as `tests.scenes.place` reads it: one picture for each colour of lamp, one for
the sky and one for the sun, from one set of light paths. Another seed gives other walls, lamps, furniture and
another garden. `python -m tests.makers.place_job` photographs them.
"""

from __future__ import annotations

import argparse
import time
import zlib
from pathlib import Path
from typing import Any

import bpy
import kit
import numpy as np
import sphere
from calm import calmed

from tests.scenes.place import LUMINANCE, PAINT, WALL, Light, Place, write_place
from tests.scenes.places.designs import DESIGNS, Design
from tests.scenes.places.room import Room, label_the_rest

CAMERA_M = 1.5


def _balanced(
    lights: dict[str, Light], told: dict[str, Any], paint: np.ndarray, share: float
) -> dict[str, Light]:
    """Lamps made brighter or dimmer together, until daylight has its share of the light on paint."""
    names = {kind: [name for name in lights if told[name]["kind"] == kind] for kind in ("lamp", "daylight")}
    if not (names["daylight"] and names["lamp"]):
        return lights
    day, lamp = (
        np.sum([lights[name] @ LUMINANCE for name in names[kind]], 0)[paint] for kind in ("daylight", "lamp")
    )
    gain = np.float32(np.median(day / np.maximum(lamp, 1e-6)) * (1 - share) / share)
    return {name: light * gain if name in names["lamp"] else light for name, light in lights.items()}


def _tell_cards(place: Place) -> None:
    """Say of every card by which light it is seen."""
    for number, mask in place.cards().items():
        share = float(place.daylight_share[mask].mean())
        light = "lamp" if share < 0.25 else "window" if share > 0.75 else "both"
        place.facts["cards"][str(number)].update(light=light, daylight_share=round(share, 3))


def _place(name: str, room: Room, design: Design, seen: sphere.Seen, facts: dict[str, Any]) -> Place:
    plain = np.where(np.isin(seen.thing, (PAINT, WALL)), seen.thing, 0).astype(np.uint8)
    lights = calmed({light: seen.lights[light] for light in room.lights if light in seen.lights}, plain)
    lights = _balanced(lights, room.lights, seen.thing == PAINT, design.daylight_share)
    facts |= {"place": name, "kind": design.kind, "note": design.note, "lights": room.lights}
    facts["cards"] = {str(number): dict(card) for number, card in room.cards.items()}
    place = Place(name, lights, seen.thing, seen.reflectance, facts)
    _tell_cards(place)
    return place


def render(
    name: str,
    *,
    seed: int,
    width: int,
    samples: int,
    threads: int,
    folder: Path,
    aside: tuple[float, float] = (0, 0),
) -> Place:
    """Build a place and render it, the camera `aside` by so many metres east and north."""
    started = time.monotonic()
    bpy.ops.wm.read_factory_settings(use_empty=True)
    kit.forget()
    random = np.random.default_rng([seed, zlib.crc32(name.encode())])
    room = DESIGNS[name].build(random)
    label_the_rest()
    scene = bpy.context.scene
    sphere.prepare(scene, samples=samples, threads=threads, groups=room.lights)
    turn = float(random.uniform(0, 360))
    folder.mkdir(parents=True, exist_ok=True)
    seen = sphere.capture(scene, (*aside, CAMERA_M), turn, width, folder)
    facts = {"seed": seed, "samples": samples, "yaw_from_north_deg": round(turn, 2)}
    facts["seconds"] = round(time.monotonic() - started)
    return _place(name, room, DESIGNS[name], seen, facts)


def main() -> None:
    """Render the places that the command line asks for."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("out", type=Path)
    parser.add_argument("--places", nargs="*", choices=list(DESIGNS), default=list(DESIGNS))
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--width", type=int, default=1024)
    parser.add_argument("--samples", type=int, default=96)
    parser.add_argument("--threads", type=int, default=1)
    parser.add_argument(
        "--aside", type=float, nargs=2, default=(0, 0), metavar="M", help="camera's place, east and north"
    )
    asked = parser.parse_args()
    for name in asked.places:
        size = {"width": asked.width, "samples": asked.samples, "threads": asked.threads}
        size["aside"] = tuple(asked.aside)
        place = render(name, seed=asked.seed, folder=asked.out, **size)
        write_place(asked.out / name, place)
        print(f"{name}: {place.facts['seconds']} s", flush=True)


if __name__ == "__main__":
    main()
