"""Houses for the map: plans drawn by chance from a seed, and special ones that mislead.

A plan is cut into rooms, doors join neighbours, furniture and pictures are put in, and a photographer walks
from room to room, one to four frames in each.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace

import numpy as np

from tests.scenes.plan_render import (
    OUTDOORS,
    Box,
    Opening,
    Patch,
    PlanHouse,
    Point,
    Room,
    Stand,
    Surface,
)

CAMERA_M, CEILING_M, WALL_M = 1.5, 2.6, 0.12
_KINDS = ("hall", "lounge", "bedroom", "study", "kitchen", "bath", "snug", "den", "attic", "nook")

Rectangle = tuple[float, float, float, float]
"""West, east, south and north, to the middle of the walls."""


@dataclass(frozen=True)
class _Door:
    one: int
    other: int
    axis: int
    at: float
    low: float
    high: float


def random_house(seed: int, frames: int, *, plain: float = 0.0) -> PlanHouse:
    """A house of about `frames` frames; `plain` takes pattern out of its walls and floors."""
    rng = np.random.default_rng(seed)
    rooms = max(2, round(frames / 2.4))
    area = rooms * float(rng.uniform(13, 18))
    wide = math.sqrt(area * float(rng.uniform(1.0, 1.7)))
    rectangles = _cut(rng, (0.0, wide, 0.0, area / wide), rooms)
    doors = _doors(rng, rectangles)
    made = [_room(rng, number, where, doors, rectangles, plain) for number, where in enumerate(rectangles)]
    order = _walk(len(made), doors)
    return _shot(rng, PlanHouse(made, (), int(rng.integers(7))), order, frames)


def _cut(rng: np.random.Generator, whole: Rectangle, rooms: int) -> list[Rectangle]:
    parts = [whole]
    while len(parts) < rooms:
        largest = max(range(len(parts)), key=lambda i: _area(parts[i]))
        west, east, south, north = parts.pop(largest)
        share = float(rng.uniform(0.38, 0.62))
        if east - west > north - south:
            cut = west + share * (east - west)
            parts += [(west, cut, south, north), (cut, east, south, north)]
        else:
            cut = south + share * (north - south)
            parts += [(west, east, south, cut), (west, east, cut, north)]
    return parts


def _area(part: Rectangle) -> float:
    return (part[1] - part[0]) * (part[3] - part[2])


def _doors(rng: np.random.Generator, parts: list[Rectangle]) -> list[_Door]:
    """A tree of doors that reaches every room, and some more."""
    possible = []
    for i, j in itertools.combinations(range(len(parts)), 2):
        a, b = parts[i], parts[j]
        for axis in (0, 2):
            along = 2 - axis
            for one, two in ((i, j), (j, i)):
                p, q = parts[one], parts[two]
                if abs(p[axis + 1] - q[axis]) < 1e-6:
                    low, high = max(a[along], b[along]), min(a[along + 1], b[along + 1])
                    if high - low > 1.5:
                        possible.append((one, two, axis, p[axis + 1], low, high))
    rng.shuffle(possible)  # type: ignore[arg-type]
    group = list(range(len(parts)))
    found = []
    for one, two, axis, at, low, high in possible:
        joined = group[one] == group[two]
        if joined and rng.random() > 0.25:
            continue
        wide = float(rng.choice([0.85, 0.95, 1.4], p=[0.5, 0.3, 0.2]))
        start = float(rng.uniform(low + 0.3, max(high - 0.3 - wide, low + 0.31)))
        found.append(_Door(one, two, axis, at, start, start + wide))
        old, new = group[two], group[one]
        group = [new if g == old else g for g in group]
    return found


def _room(
    rng: np.random.Generator, number: int, where: Rectangle, doors: list[_Door],
    parts: list[Rectangle], plain: float,
) -> Room:  # fmt: skip
    half = WALL_M / 2
    west, east, south, north = where
    low, high = (west + half, 0.0, south + half), (east - half, CEILING_M, north - half)
    openings = [_opening(door, number) for door in doors if number in (door.one, door.other)]
    openings += _windows(rng, where, parts)
    floor_kind = str(rng.choice(["planks", "tiles", "woven"], p=[0.5, 0.25, 0.25]))
    shade = lambda a, b: tuple(float(c) for c in rng.uniform(a, b, 3))  # noqa: E731 - local shorthand
    warm = float(rng.uniform(0.3, 0.6))
    calm = 1 - plain
    walls = Surface(shade(0.55, 0.85), "plaster", 0.06 * calm, int(rng.integers(10_000)))
    floor = Surface((warm, warm * 0.8, warm * 0.55), floor_kind, 0.35 * calm, int(rng.integers(10_000)))
    ceiling = Surface((0.82, 0.82, 0.8), "plaster", 0.03 * calm, int(rng.integers(10_000)))
    boxes = _furniture(rng, low, high, openings) if plain < 1 else []
    patches = _pictures(rng, low, high, openings) if plain < 1 else []
    return Room(low, high, walls, floor, ceiling, openings, boxes, patches, float(rng.uniform(0.6, 1.3)))


def _opening(door: _Door, number: int) -> Opening:
    face = 2 * door.axis + (number == door.one)
    to = door.other if number == door.one else door.one
    return Opening(face, (door.low, 0.0), (door.high, 2.05), to)


def _windows(rng: np.random.Generator, where: Rectangle, parts: list[Rectangle]) -> list[Opening]:
    edge = (
        min(p[0] for p in parts),
        max(p[1] for p in parts),
        min(p[2] for p in parts),
        max(p[3] for p in parts),
    )
    found = []
    for face, side in ((0, 0), (1, 1), (4, 2), (5, 3)):
        if abs(where[side] - edge[side]) > 1e-6 or rng.random() < 0.3:
            continue
        a, b = (where[2], where[3]) if face < 2 else (where[0], where[1])
        wide = float(rng.uniform(0.8, min(1.8, b - a - 0.8)))
        start = float(rng.uniform(a + 0.4, b - 0.4 - wide))
        found.append(Opening(face, (start, 0.85), (start + wide, 2.1)))
    return found


def _furniture(rng: np.random.Generator, low: Point, high: Point, openings: list[Opening]) -> list[Box]:
    """Boxes along the walls, clear of doors."""
    boxes: list[Box] = []
    for _ in range(int(rng.integers(3, 7))):
        wide, deep = float(rng.uniform(0.5, 1.6)), float(rng.uniform(0.35, 0.7))
        tall = float(rng.choice([0.45, 0.75, 0.9, 1.9], p=[0.3, 0.3, 0.25, 0.15]))
        face = int(rng.choice([0, 1, 4, 5]))
        axis, along = face // 2, 2 - face // 2
        if high[along] - low[along] < wide + 0.4 or high[axis] - low[axis] < 2.2:
            continue
        start = float(rng.uniform(low[along] + 0.1, high[along] - wide - 0.1))
        near = [0.0, 0.0, 0.0]
        far = [0.0, tall, 0.0]
        near[along], far[along] = start, start + wide
        near[axis] = low[axis] if face % 2 == 0 else high[axis] - deep
        far[axis] = near[axis] + deep
        kind = str(rng.choice(["picture", "woven", "planks"], p=[0.6, 0.2, 0.2]))
        surface = Surface(
            tuple(float(c) for c in rng.uniform(0.08, 0.6, 3)),  # type: ignore[arg-type]
            kind, 0.7 if kind == "picture" else 0.35, int(rng.integers(10_000)),
        )  # fmt: skip
        box = Box(tuple(near), tuple(far), surface)  # type: ignore[arg-type]
        if not any(_blocks(box, opening, low, high) for opening in openings):
            boxes.append(box)
    return boxes


def _blocks(box: Box, opening: Opening, low: Point, high: Point) -> bool:
    axis, side = divmod(opening.face, 2)
    along = 2 - axis
    if opening.to == OUTDOORS and box.high[1] < opening.low[1]:
        return False
    wall = high[axis] if side else low[axis]
    close = min(abs(box.low[axis] - wall), abs(box.high[axis] - wall)) < 0.8
    return close and box.high[along] > opening.low[0] - 0.1 and box.low[along] < opening.high[0] + 0.1


def _pictures(rng: np.random.Generator, low: Point, high: Point, openings: list[Opening]) -> list[Patch]:
    found = []
    for face in (0, 1, 4, 5):
        along = 2 - face // 2
        for _ in range(int(rng.integers(1, 3))):
            wide, tall = rng.uniform(0.4, 1.1, 2)
            if high[along] - low[along] < wide + 0.4:
                continue
            u = float(rng.uniform(low[along] + 0.2, high[along] - 0.2 - wide))
            v = float(rng.uniform(1.1, 2.3 - tall)) if tall < 1.1 else 1.15
            taken = [
                o for o in openings if o.face == face and u < o.high[0] + 0.15 and u + wide > o.low[0] - 0.15
            ]
            if not taken:
                surface = Surface((0.5, 0.4, 0.3), "picture", 0.8, int(rng.integers(10_000)))
                found.append(Patch(face, (u, v), (u + float(wide), v + float(tall)), surface))
    return found


def _walk(rooms: int, doors: list[_Door]) -> list[int]:
    """Rooms in the order of a walk through the doors."""
    beside: dict[int, list[int]] = {i: [] for i in range(rooms)}
    for door in doors:
        beside[door.one].append(door.other)
        beside[door.other].append(door.one)
    order: list[int] = []
    left = [0]
    while left:
        room = left.pop()
        if room not in order:
            order.append(room)
            left += [other for other in beside[room] if other not in order]
    return order + [room for room in range(rooms) if room not in order]


def _shot(rng: np.random.Generator, house: PlanHouse, order: list[int], frames: int) -> PlanHouse:
    """Put the stands: in each room one to four, clear of furniture and of one another."""
    share = frames / len(order)
    stands: list[Stand] = []
    names = [
        f"{_KINDS[i % len(_KINDS)]}{'' if i < len(_KINDS) else f'-{i // len(_KINDS) + 1}'}"
        for i in range(len(order))
    ]
    clock = 0.0
    for position, number in enumerate(order):
        wanted = max(1, round(share * (position + 1)) - round(share * position))
        found: list[Stand] = []
        for _ in range(200):
            if len(found) == wanted:
                break
            place = _free_place(rng, house.rooms[number])
            if place and all(math.hypot(place[0] - s.x, place[1] - s.z) > 1.0 for s in found):
                clock += float(rng.uniform(40, 90))
                name = f"{names[number]}-{len(found) + 1:02d}"
                found.append(
                    Stand(
                        number, *place, float(rng.uniform(0, 360)), name, clock, float(rng.uniform(0.7, 1.4))
                    )
                )
        clock += 60
        stands += found
    return replace(house, stands=tuple(stands), names=tuple(names))


def _free_place(rng: np.random.Generator, room: Room) -> tuple[float, float] | None:
    x = float(rng.uniform(room.low[0] + 0.6, room.high[0] - 0.6))
    z = float(rng.uniform(room.low[2] + 0.6, room.high[2] - 0.6))
    for box in room.boxes:
        if box.low[0] - 0.4 < x < box.high[0] + 0.4 and box.low[2] - 0.4 < z < box.high[2] + 0.4:
            return None
    return x, z


def sees(house: PlanHouse, one: Stand, other: Stand, *, height_m: float = CAMERA_M) -> bool:
    """Whether the straight line between two cameras is free."""
    at, goal = np.array((one.x, one.z)), np.array((other.x, other.z))
    base = house.rooms[one.room].low[1]
    if abs(base - house.rooms[other.room].low[1]) > 0.5:
        return False
    number: int | None = one.room
    for _ in range(8):
        if number is None or _box_between(house.rooms[number], at, goal, base + height_m):
            return False
        if number == other.room:
            return True
        number = _next_room(house, number, at, goal)
    return False


def _next_room(house: PlanHouse, number: int, at: np.ndarray, goal: np.ndarray) -> int | None:
    """Room that a line enters when it leaves one; None if it meets a wall."""
    way = goal - at
    room = house.rooms[number]
    leaving, face = _exit(room, at, way)
    along = 1 if face < 2 else 0
    for door in room.openings:
        if leaving >= 1 or door.face != face or door.to == OUTDOORS:
            continue
        beyond, axis = house.rooms[door.to], 2 * (face // 4)
        wall = beyond.low[axis] if face % 2 else beyond.high[axis]
        entering = (wall - at[axis // 2]) / way[axis // 2]
        places = [at[along] + share * way[along] for share in (leaving, entering)]
        if all(door.low[0] < place < door.high[0] for place in places):
            return door.to
    return None


def _exit(room: Room, at: np.ndarray, way: np.ndarray) -> tuple[float, int]:
    """Share of the way at which it leaves a room, and by which face."""
    best, face = np.inf, 0
    for w, axis in ((0, 0), (1, 2)):
        if abs(way[w]) < 1e-9:
            continue
        wall = room.high[axis] if way[w] > 0 else room.low[axis]
        share = (wall - at[w]) / way[w]
        if share < best:
            best, face = share, 2 * axis + (1 if way[w] > 0 else 0)
    return float(best), face


def _box_between(room: Room, at: np.ndarray, goal: np.ndarray, height: float) -> bool:
    way = goal - at
    for box in room.boxes:
        if not box.low[1] < height < box.high[1]:
            continue
        low, high = np.array((box.low[0], box.low[2])), np.array((box.high[0], box.high[2]))
        with np.errstate(divide="ignore", invalid="ignore"):
            one, two = (low - at) / way, (high - at) / way
        if max(np.minimum(one, two).max(), 0) < min(np.maximum(one, two).min(), 1):
            return True
    return False


def sight_lines(house: PlanHouse) -> set[tuple[int, int]]:
    """Pairs of stands, by number, that see each other."""
    pairs = itertools.combinations(range(len(house.stands)), 2)
    return {(i, j) for i, j in pairs if sees(house, house.stands[i], house.stands[j])}


def with_mirror(house: PlanHouse, room: int = 0) -> PlanHouse:
    """The same with a wall of one room a mirror, from knee to head, wherever it has no opening."""
    box = house.rooms[room]
    open_faces = [opening.face for opening in box.openings]
    face = next(face for face in (0, 1, 4, 5) if face not in open_faces or face == 5)
    along = 2 - face // 2
    low, high = (box.low[along] + 0.2, 0.3), (box.high[along] - 0.2, 2.3)
    mirror = Patch(face, low, high, box.walls, mirror=True)
    patches = (mirror, *(patch for patch in box.patches if patch.face != face))
    rooms = list(house.rooms)
    rooms[room] = replace(box, patches=patches)
    return replace(house, rooms=rooms)


def twin_floors(seed: int, frames: int) -> PlanHouse:
    """Two floors that are the same to the last picture, shot one after the other from other stands."""
    below = random_house(seed, frames)
    other = random_house(seed, frames)
    rise, count = 3.0, len(below.rooms)
    above = [
        replace(
            room,
            low=(room.low[0], room.low[1] + rise, room.low[2]),
            high=(room.high[0], room.high[1] + rise, room.high[2]),
            boxes=[_raised(box, rise) for box in room.boxes],
            openings=[_lifted(o, rise, count) for o in room.openings],
            patches=[replace(p, low=_up(p.low, rise), high=_up(p.high, rise)) for p in room.patches],
        )
        for room in other.rooms
    ]
    house = replace(below, rooms=[*below.rooms, *above])
    rng = np.random.default_rng(seed + 5)
    later = _shot(rng, other, list(dict.fromkeys(stand.room for stand in other.stands)), frames).stands
    upstairs = [
        replace(stand, room=stand.room + count, name=f"up-{stand.name}", taken_s=stand.taken_s + 9000)
        for stand in later
    ]
    return replace(house, stands=(*below.stands, *upstairs))


def _up(place: tuple[float, float], rise: float) -> tuple[float, float]:
    return place[0], place[1] + rise


def _raised(box: Box, rise: float) -> Box:
    low, high = box.low, box.high
    return replace(box, low=(low[0], low[1] + rise, low[2]), high=(high[0], high[1] + rise, high[2]))


def _lifted(opening: Opening, rise: float, count: int) -> Opening:
    to = opening.to if opening.to == OUTDOORS else opening.to + count
    return replace(opening, low=_up(opening.low, rise), high=_up(opening.high, rise), to=to)
