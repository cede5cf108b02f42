"""White balance over test houses of known truth: `python -m tests.benchmarks.balance [--seed N]`.

Every house has six rooms and a hall under lamps and daylight from 2500 to 7000 K, two rooms where lamp and
window mix, one with coloured walls, one with a wooden ceiling, and an exterior at noon or at sunset. Grey
cards hang where the algorithm is not told. All figures are at strength 1.

Cards are brought to one lightness (Y = 0.8, a white wall), so that only the white is judged. A frame's card
is the mean of the cards of its own room that it sees; a room's card is the mean over its frames. The angular
error is that of a frame's light, in linear BT.2020 as decoded, against its card (Hordley and Finlayson 2004).
"""

from __future__ import annotations

import argparse
import itertools
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from skimage.color import deltaE_ciede2000 as delta_e_2000

from panopipe.colour.adaptation import working_adaptation
from panopipe.colour.lab import lab_from_xyz
from panopipe.colour.spaces import (
    D65_XY,
    LUMINANCE_OF_WORKING,
    WORKING_FROM_XYZ,
    XYZ_FROM_WORKING,
    xyz_from_xy,
)
from panopipe.colour.temperature import xy_from_cct_duv
from panopipe.frame import Frame, FrameFacts, FrameKey, Rows
from panopipe.sphere.geometry import pitch_of_row, pixel_solid_angle, yaw_of_column
from panopipe.stage import JobFacts, Observation, Solution
from panopipe.stages.balance import Balance, BalanceSettings
from panopipe.studies.white.cones import correction_matrix, log_chromaticity_from_working
from panopipe.studies.white.gains import local_gains
from tests.scenes.white_house import Shoot, Shot, photograph, random_shoot

Array = NDArray[np.float64]
FIXED_SEEDS = (0, 1, 2)
CARD_Y = 0.8
SUNSET_WHITE_KELVIN = 5500.0


@dataclass
class Job:
    """A photographed house and what the stage made of it."""

    shoot: Shoot
    shots: Sequence[Shot]
    solutions: Mapping[FrameKey, Solution]
    survey_s: float
    solve_s: float


def run_house(
    shoot: Shoot, shots: Sequence[Shot], hand: Mapping[FrameKey, BalanceSettings] | None = None
) -> Job:
    """Survey and solve a house at strength 1, with hand settings for some frames."""
    stage, observed = Balance(), {}
    started = time.process_time()
    for shot in shots:
        key, width = shot.stand.key, shot.rows.shape[1]
        facts = FrameFacts(key, width, width // 2, white_xy=shoot.camera_white_xy, clips_at=(1.0, 1.0))
        settings = (hand or {}).get(key, BalanceSettings(strength=1.0))
        observed[key] = Observation(stage.survey(Frame(shot.rows, facts), settings), settings, facts)
    surveyed = time.process_time()
    rooms: dict[str, list[FrameKey]] = {}
    for key in observed:
        rooms.setdefault(key.room, []).append(key)
    solutions = stage.solve(observed, JobFacts(rooms))
    return Job(shoot, shots, solutions, surveyed - started, time.process_time() - surveyed)


def cards_of(shot: Shot, finished: Rows | None = None) -> dict[str, Array]:
    """Colours of the cards of the frame's own room, seen well enough to be read: recorded, or as finished."""
    room, rows = shot.stand.key.room, shot.rows if finished is None else finished
    return {
        name: rows[mask].astype(np.float64).mean(axis=0)
        for name, mask in shot.truth.cards.items()
        if name.startswith(f"{room}-") and mask.sum() >= 20 and shot.rows[mask].max() < 0.98
    }


def evened(shot: Shot, solution: Solution, share: float = 1.0) -> Rows:
    """The frame as recorded, with a share of its mixed light evened out."""
    if share == 0 or solution.light is None or solution.correction is None:
        return shot.rows
    rows = shot.rows.copy()
    local_gains(solution.light.astype(np.float64), solution.correction, share, None).apply(rows, 0)
    return rows


def card_of(shot: Shot, finished: Rows | None = None) -> Array | None:
    """The frame's card: the mean of its cards, each brought to the same luminance."""
    cards = [card / (card @ LUMINANCE_OF_WORKING) for card in cards_of(shot, finished).values()]
    return np.mean(cards, axis=0) if cards else None


def lab(rgb: Array) -> Array:
    """CIELAB under D65 of working-space colours."""
    return np.asarray(lab_from_xyz(rgb @ XYZ_FROM_WORKING.T, xyz_from_xy(D65_XY)))


def lab_of_white(rgb: Array) -> Array:
    """CIELAB of a neutral, brought to the common lightness."""
    return lab(CARD_Y * rgb / (rgb @ LUMINANCE_OF_WORKING))


def largest_difference(whites: Sequence[Array]) -> float:
    """Largest delta E 2000 between any two of the whites."""
    labs = [lab_of_white(white) for white in whites]
    return max(float(delta_e_2000(a, b)) for a, b in itertools.combinations(labs, 2))


def grey_world(rows: Rows) -> Array:
    """White of a frame by its mean, weighted by solid angle (one picture, no job)."""
    weight = pixel_solid_angle(len(rows))[:, None, None]
    return np.asarray(np.mean(rows.astype(np.float64) * weight, axis=(0, 1)))


def white_patch(rows: Rows) -> Array:
    """White of a frame by the brightest 1 % of each channel that is not clipped (one picture, no job)."""
    lit = rows[rows.max(axis=-1) < 0.95].astype(np.float64)
    return np.percentile(lit, 99, axis=0)


def adapted(rgb: Array, white: Array) -> Array:
    """A colour after the white has been adapted to D65."""
    return correction_matrix(log_chromaticity_from_working(white), 1.0) @ rgb


def angle_deg(a: Array, b: Array) -> float:
    """Angle between two colours as vectors."""
    cosine = a @ b / np.linalg.norm(a) / np.linalg.norm(b)
    return float(np.degrees(np.arccos(np.clip(cosine, -1, 1))))


def solved_white(solution: Solution) -> Array:
    """White that a solution took for the light, in the working space."""
    assert solution.correction is not None
    return np.linalg.solve(solution.correction, np.ones(3))


@dataclass
class Figures:
    """What the table shows of a house."""

    before: float
    grey_world: float
    white_patch: float
    joint: float
    joint_frames: float
    best: float
    angles: list[float]
    coloured: float
    coloured_best: float
    exterior: float
    mixed_off: float
    mixed_on: float


def figures(job: Job) -> Figures:
    """Measure a house."""
    frames = [(shot, card) for shot in job.shots if (card := card_of(shot)) is not None]
    white = {shot.stand.key: solved_white(job.solutions[shot.stand.key]) for shot in job.shots}
    even = {shot.stand.key: evened(shot, job.solutions[shot.stand.key]) for shot in job.shots}
    ours = [(shot.stand.key, card_of(shot, even[shot.stand.key])) for shot, _ in frames]
    joint = {key: adapted(card, white[key]) for key, card in ours if card is not None}
    rooms = {
        "before": _by_room({shot.stand.key: card for shot, card in frames}),
        "grey": _by_room({shot.stand.key: adapted(card, grey_world(shot.rows)) for shot, card in frames}),
        "patch": _by_room({shot.stand.key: adapted(card, white_patch(shot.rows)) for shot, card in frames}),
        "joint": _by_room(joint),
    }
    every = [adapted(c, card) for shot, card in frames for c in cards_of(shot).values()]
    coloured = [shot for shot in job.shots if shot.stand.key.room == job.shoot.coloured]
    mixed = [shot for shot in job.shots if shot.stand.key.room in job.shoot.mixed]
    return Figures(
        before=largest_difference(rooms["before"]),
        grey_world=largest_difference(rooms["grey"]),
        white_patch=largest_difference(rooms["patch"]),
        joint=largest_difference(rooms["joint"]),
        joint_frames=largest_difference(list(joint.values())),
        best=largest_difference(every),
        angles=[angle_deg(card, white[key]) for key, card in ours if card is not None],
        coloured=float(
            np.mean([wall_error(shot, white[shot.stand.key], even[shot.stand.key]) for shot in coloured])
        ),
        coloured_best=float(np.mean([wall_error(s, c) for s in coloured if (c := card_of(s)) is not None])),
        exterior=exterior_error(job),
        mixed_off=float(np.mean([card_spread(shot, job, 0.0) for shot in mixed])),
        mixed_on=float(np.mean([card_spread(shot, job, 1.0) for shot in mixed])),
    )


def _by_room(cards: Mapping[FrameKey, Array]) -> list[Array]:
    """Mean card of each room, each frame's card at the same luminance."""
    rooms: dict[str, list[Array]] = {}
    for key, card in cards.items():
        rooms.setdefault(key.room, []).append(card / (card @ LUMINANCE_OF_WORKING))
    return [np.mean(of_room, axis=0) for of_room in rooms.values()]


def wall_error(shot: Shot, white: Array, finished: Rows | None = None) -> float:
    """Delta E 2000 of the coloured walls against their own colour, with `white` taken for the light."""
    reflectance = shot.truth.reflectance
    eye = np.abs(pitch_of_row(np.arange(len(shot.rows)), len(shot.rows)))[:, None] < 20
    level = reflectance @ LUMINANCE_OF_WORKING.astype(np.float32)
    common = np.median(reflectance[eye[:, 0]].reshape(-1, 3), axis=0)
    wall = (
        eye
        & (np.abs(reflectance - common).max(axis=-1) < 0.03)
        & (level > 0)
        & (shot.rows.max(axis=-1) < 0.95)
    )
    seen = adapted((shot.rows if finished is None else finished)[wall].astype(np.float64).mean(axis=0), white)
    own = reflectance[wall].astype(np.float64).mean(axis=0)
    return float(
        delta_e_2000(lab(seen * (own @ LUMINANCE_OF_WORKING) / (seen @ LUMINANCE_OF_WORKING)), lab(own))
    )


def exterior_error(job: Job) -> float:
    """Mean delta E 2000 of the exterior's surfaces against how they look under daylight's own white.

    The sunset's warmth is its own: the white to keep is the daylight balance of 5500 K. At noon it is the
    light that sun and sky give what they shine on.
    """
    shot = next(shot for shot in job.shots if shot.stand.key.room == "garden")
    camera = working_adaptation(xyz_from_xy(job.shoot.camera_white_xy), xyz_from_xy(D65_XY))
    lit = shot.truth.reflectance.max(axis=-1) > 0
    if job.shoot.sunset:
        white = camera @ WORKING_FROM_XYZ @ xyz_from_xy(xy_from_cct_duv(SUNSET_WHITE_KELVIN))
    else:
        white = camera @ shot.truth.illuminant[lit].astype(np.float64).mean(axis=0)
    use = lit & (shot.rows.max(axis=-1) < 0.95)
    colours = shot.rows[use].astype(np.float64)[:: max(1, int(use.sum()) // 2000)]
    true = colours @ correction_matrix(log_chromaticity_from_working(white), 1.0).T
    correction = job.solutions[shot.stand.key].correction
    assert correction is not None
    return float(np.mean(delta_e_2000(lab(colours @ correction.T), lab(true))))


def card_spread(shot: Shot, job: Job, share: float) -> float:
    """Mean delta E 2000 between the cards of one frame, with that share of the mixed light evened out."""
    solution = job.solutions[shot.stand.key]
    rows = evened(shot, solution, share)
    white = solved_white(solution)
    cards = [adapted(card, white) for card in cards_of(shot, rows).values()]
    labs = [lab_of_white(card) for card in cards]
    return float(np.mean([delta_e_2000(a, b) for a, b in itertools.combinations(labs, 2)]))


def hand_growth(job: Job) -> list[float]:
    """Growth of the other rooms' errors, in delta E 2000, when one frame's card is named as neutral."""
    shot = next(
        shot for shot in job.shots if len(cards_of(shot)) >= 2 and shot.stand.key.room == job.shoot.wooden
    )
    name = next(iter(cards_of(shot)))
    line, column = (int(np.mean(at)) for at in np.nonzero(shot.truth.cards[name]))
    width = shot.rows.shape[1]
    settings = BalanceSettings(
        strength=1.0,
        neutral_yaw_deg=float(yaw_of_column(column, width)),
        neutral_pitch_deg=float(pitch_of_row(line, width // 2)),
        neutral_size_deg=1.0,
    )
    after = run_house(job.shoot, job.shots, {shot.stand.key: settings})
    growth = []
    for other in job.shots:
        card = card_of(other)
        if card is None or other.stand.key.room == shot.stand.key.room:
            continue
        first, second = (_error(card, j.solutions[other.stand.key]) for j in (job, after))
        growth.append(second - first)
    return growth


def _error(card: Array, solution: Solution) -> float:
    corrected = adapted(card, solved_white(solution))
    return float(delta_e_2000(lab_of_white(corrected), lab_of_white(np.ones(3))))


def show(rows: Sequence[tuple[int, Job, Figures, list[float]]]) -> None:
    """Print the tables."""
    _show_cards([(seed, found) for seed, _, found, _ in rows])
    _show_angles(np.sort([angle for _, _, found, _ in rows for angle in found.angles]))
    _show_colours(rows)
    frames = sum(len(job.shots) for _, job, _, _ in rows)
    survey = sum(job.survey_s for _, job, _, _ in rows) / frames
    solve = sum(job.solve_s for _, job, _, _ in rows) / frames
    print(f"\nCPU: survey {1e3 * survey:.0f} ms a frame, joint solution {1e3 * solve:.0f} ms a frame")


def _show_cards(rows: Sequence[tuple[int, Figures]]) -> None:
    print("largest pairwise delta E 2000 of the rooms' cards; joint also of all frames; last, how")
    print("single cards differ when every frame has its true white (one light a frame can do no more)")
    print(" house  before  grey-world  white-patch   joint   (frames)   single cards, true white")
    for seed, found in rows:
        alone = f"{found.before:7.2f} {found.grey_world:11.2f} {found.white_patch:12.2f}"
        print(f"{seed:6d} {alone} {found.joint:7.2f} {found.joint_frames:10.2f} {found.best:26.2f}")
    joint_all = [found.joint for _, found in rows]
    print(f"joint: median {np.median(joint_all):.2f} (bar 2.0), worst {max(joint_all):.2f} (bar 4.0)\n")


def _show_angles(angles: Array) -> None:
    worst = angles[-max(1, len(angles) // 4) :]
    print(f"angular error in linear BT.2020, {len(angles)} frames: median {np.median(angles):.2f} (bar 1.5),")
    print(f"  mean {angles.mean():.2f}, mean of the worst quarter {worst.mean():.2f} (bar 3.5) degrees\n")


def _show_colours(rows: Sequence[tuple[int, Job, Figures, list[float]]]) -> None:
    print(
        "delta E 2000 against own colours (bar 4); other rooms' error when a card is set by hand, mean change"
    )
    print("and largest growth (bar 0); mean delta E between the cards of a mixed frame, light map off and on")
    print(" house   coloured walls (true white)   exterior           mean   growth     map off    on")
    for seed, job, found, growth in rows:
        light = "sunset" if job.shoot.sunset else "noon"
        print(
            f"{seed:6d} {found.coloured:12.2f} {found.coloured_best:13.2f} {found.exterior:12.2f} {light:8s}"
            f"{np.mean(growth):8.2f} {max(growth):8.2f} {found.mixed_off:11.2f} {found.mixed_on:6.2f}"
        )


def main() -> None:
    """Run the houses and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "--seed", type=int, default=None, help="first of fresh houses (default: the fixed ones)"
    )
    parser.add_argument("--houses", type=int, default=3)
    parser.add_argument("--width", type=int, default=1024, help="columns of the frames")
    options = parser.parse_args()
    first = FIXED_SEEDS[0] if options.seed is None else options.seed
    rows = []
    for seed in range(first, first + options.houses):
        shoot = random_shoot(seed)
        job = run_house(shoot, list(photograph(shoot, options.width)))
        rows.append((seed, job, figures(job), hand_growth(job)))
    show(rows)


if __name__ == "__main__":
    main()
