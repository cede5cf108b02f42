"""Outside: the deck, the lawn, trees, hills and the sky."""

from __future__ import annotations

import math
from typing import Any

import bpy
import furniture as f
import numpy as np
import textures
from finishes import clay, cloth
from house import oak
from kit import again, box, leaves, matt, papered, picture, rod, sheet, veil
from mathutils import Vector
from plan import HORIZON_K, SKY_K, SUN_K, day_rgb, sun_direction
from things import bowl, plant, stoneware

SUN_IRRADIANCE = 187.0
LAWN_M = -0.36


def build() -> None:
    """Deck, garden and daylight."""
    _deck()
    _ground()
    _trees()
    _hills()
    _daylight()


def _deck() -> None:
    image = picture(
        "deck",
        textures.planks(metres=4.2, width=0.14, colour=(0.27, 0.21, 0.155), gap=0.006, spread=0.10, seed=12),
    )
    boards = papered("deck", image, 4.2, roughness=0.65, bump=0.35, projection="FLAT")
    side = oak(tint=(0.20, 0.15, 0.10))
    box((-0.9, -4.9, -0.06), (7.2, -0.25, -0.02), boards)
    box((-0.9, -4.88, -0.2), (7.2, -4.86, -0.06), side)
    box((-0.88, -4.88, LAWN_M), (7.18, -0.25, -0.2), matt("under", (0.02, 0.02, 0.02)))
    box((0.4, -5.25, -0.21), (2.8, -4.88, -0.17), boards)
    top = -0.02
    teak = oak(tint=(0.36, 0.22, 0.11))
    f.table((4.9, -2.9, top), (0.9, 1.5, 0.74), material=teak)
    seat = cloth("seat", (0.50, 0.47, 0.40))
    for x, y, yaw in ((4.2, -2.5, -90), (4.15, -3.35, -82), (5.6, -2.55, 90), (5.68, -3.3, 100)):
        f.chair((x, y, top), yaw, teak, seat)
    bowl((4.9, -2.8, top + 0.74), clay(), 1.2)
    for k, x in enumerate((-0.45, 6.75)):
        plant((x, -4.45, top), 1.0 + 0.2 * k, seed=30 + k, pot=(0.16, 0.16, 0.16), wide=0.3, count=600)
    plant((2.98, -0.62, top), 0.75, seed=33, pot=(0.34, 0.15, 0.08), wide=0.2, count=360)
    stoneware((5.0, -3.2, top + 0.74), 1.1)
    # A lounger in the sun.
    f.sofa((0.1, -3.6, top), -60, (0.52, 0.50, 0.45), seats=1, width=0.95, name="lounger cloth")


def _ground() -> None:
    lawn = papered(
        "lawn", picture("grass", textures.grass()), 3.1, roughness=1, specular=0.05, projection="FLAT"
    )
    box((-160, -160, LAWN_M - 0.5), (160, 160, LAWN_M), lawn)
    random = np.random.default_rng(17)
    count = 26000
    x, y = random.uniform(-8, 14, count), random.uniform(-15, -5.0, count)
    blade = veil("blade", (0.075, 0.13, 0.028), open_share=0, passing=0.4)
    height = random.uniform(0.02, 0.055, count)
    lean = random.normal(0, 0.02, (count, 2))
    width = random.normal(0, 0.006, (count, 2))
    root = np.stack([x, y, np.full(count, LAWN_M)], 1)
    tip = root + np.column_stack([lean, height])
    left, right = root.copy(), root.copy()
    left[:, :2] -= width
    right[:, :2] += width
    data = bpy.data.meshes.new("blades")
    corners = np.stack([left, right, tip], 1).reshape(-1, 3)
    data.from_pydata(corners.tolist(), [], np.arange(3 * count).reshape(count, 3).tolist())
    data.materials.append(blade)
    bpy.context.scene.collection.objects.link(bpy.data.objects.new("blades", data))
    flag = papered("flags", picture("stone", textures.square_tiles()), 3.2, roughness=0.7, projection="FLAT")
    for k in range(9):
        at = (1.6 + 0.25 * math.sin(k * 1.3), -5.75 - 0.62 * k, LAWN_M)
        box((-0.28, -0.22, 0), (0.28, 0.22, 0.02), flag, bevel=0.01, at=at, yaw=7 * math.sin(2.1 * k))


def _crown(seed: int, size: float, count: int, tint: tuple[float, float, float]) -> Any:
    """The leaves of a tree about the origin, `size` metres across."""
    random = np.random.default_rng(seed)
    lumps = np.clip(random.normal(0, 0.22, (16, 3)), -0.36, 0.36) * size
    lumps[:, 2] = np.abs(lumps[:, 2]) * 1.1
    radius = random.uniform(0.17, 0.25, 16) * size
    which = random.integers(16, size=count)
    way = random.normal(size=(count, 3))
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    centres = lumps[which] + way * radius[which, None] * random.uniform(0.65, 1.0, (count, 1))
    return leaves(
        centres, 0.020 * size, veil(f"foliage {tint}", tint, open_share=0, passing=0.4), seed=seed, narrow=0.6
    )


def _trees() -> None:
    bark = matt("bark", (0.075, 0.055, 0.04))
    random = np.random.default_rng(23)
    kinds = [
        _crown(1, 5.0, 9000, (0.055, 0.11, 0.025)),
        _crown(2, 4.4, 9000, (0.085, 0.115, 0.028)),
        _crown(3, 5.6, 9000, (0.040, 0.085, 0.030)),
    ]
    for crown in kinds:
        crown.location = (0, 0, -60)  # the pattern itself stays out of sight, under the lawn
    spots = [
        (-9, -11),
        (-4.5, -17),
        (3.5, -21),
        (9.5, -15.5),
        (14.5, -10),
        (17, -2),
        (-12, -2),
        (-11, 7),
        (-4, 14),
        (5, 17),
        (13, 13),
        (18, 6),
        (-2, -26),
        (22, -18),
        (-18, -20),
        (11, -27),
    ]
    for k, (x, y) in enumerate(spots):
        size = random.uniform(0.8, 1.25)
        trunk = random.uniform(1.7, 2.5)
        again(
            kinds[k % 3], at=(x, y, LAWN_M + trunk + 0.5 * size), yaw=float(random.uniform(0, 360)), size=size
        )
        rod((x, y, LAWN_M), (x + 0.15, y, LAWN_M + trunk + 1.6 * size), 0.17 * size, bark, end_radius=0.06)
    hedge = _crown(9, 2.2, 6000, (0.050, 0.090, 0.030))
    hedge.location = (0, 0, -60)
    for k in range(34):
        again(
            hedge,
            at=(-21 + 1.25 * k, -13.2 + 0.3 * math.sin(k), LAWN_M + 0.15),
            yaw=47.0 * k,
            size=float(random.uniform(0.8, 1.0)),
        )
    for k in range(16):
        again(hedge, at=(-7.5, -13 + 1.25 * k, LAWN_M + 0.15), yaw=31.0 * k, size=0.95)
        again(hedge, at=(15.5, -13 + 1.25 * k, LAWN_M + 0.15), yaw=53.0 * k, size=0.95)
    shrub = _crown(10, 1.2, 3000, (0.09, 0.12, 0.05))
    shrub.location = (0, 0, -60)
    for k, (x, y) in enumerate(
        ((8.0, -0.9), (9.2, -1.1), (8.6, -2.0), (-1.9, -1.0), (-2.2, -2.4), (7.9, -4.2), (-1.6, -4.6))
    ):
        again(shrub, at=(x, y, LAWN_M + 0.1), yaw=71.0 * k, size=0.8 + 0.1 * (k % 3))


def _hills() -> None:
    angle = np.linspace(0, 2 * np.pi, 241)
    wave = textures.cloud(256, 256, cells=(4, 7), octaves=6, seed=5)[0]
    for away, high, tint in (
        (140, 9, (0.06, 0.085, 0.05)),
        (420, 46, (0.115, 0.15, 0.155)),
        (900, 120, (0.21, 0.26, 0.30)),
    ):
        ridge = high * (0.65 + 0.22 * np.roll(np.append(wave[:240], wave[0]), away // 7)[: len(angle)])
        ridge[-1] = ridge[0]
        ring = np.stack([np.cos(angle) * away, np.sin(angle) * away], -1)
        points = np.stack(
            [
                np.column_stack([ring * scale, level])
                for scale, level in ((1.0, np.full(len(angle), -3.0)), (1.06, ridge * 0.6), (1.15, ridge))
            ]
        )
        sheet(points, matt(f"hill {away}", tint))


def _daylight() -> None:
    light = bpy.data.lights.new("sun", "SUN")
    light.energy, light.color, light.angle = SUN_IRRADIANCE, day_rgb(SUN_K), math.radians(0.6)
    sun = bpy.data.objects.new("sun", light)
    sun.rotation_euler = (-Vector(sun_direction())).to_track_quat("-Z", "Y").to_euler()
    bpy.context.scene.collection.objects.link(sun)
    world = bpy.data.worlds.new("sky")
    bpy.context.scene.world = world
    world.use_nodes = True
    nodes, links = world.node_tree.nodes, world.node_tree.links
    nodes.clear()
    way = nodes.new("ShaderNodeTexCoord")
    split = nodes.new("ShaderNodeSeparateXYZ")
    links.new(way.outputs["Generated"], split.inputs[0])
    ramp = nodes.new("ShaderNodeValToRGB")
    ramp.color_ramp.interpolation = "EASE"
    horizon = np.array(day_rgb(HORIZON_K)) * 0.62
    zenith = np.array(day_rgb(SKY_K)) * np.array([0.75, 1.0, 1.25]) * 0.20
    ramp.color_ramp.elements[0].color = (*horizon, 1)
    ramp.color_ramp.elements[0].position = 0.0
    ramp.color_ramp.elements[1].color = (*zenith, 1)
    ramp.color_ramp.elements[1].position = 0.75
    links.new(split.outputs["Z"], ramp.inputs[0])

    cover = _clouds(nodes, links, split)
    mix = nodes.new("ShaderNodeMix")
    mix.data_type = "RGBA"
    links.new(cover.outputs[0], mix.inputs["Factor"])
    colours = [socket for socket in mix.inputs if socket.type == "RGBA"]
    links.new(ramp.outputs[0], colours[0])
    colours[1].default_value = (1.05, 1.04, 1.03, 1)
    ground = nodes.new("ShaderNodeBackground")
    ground.inputs["Strength"].default_value = 28.0
    links.new(next(socket for socket in mix.outputs if socket.type == "RGBA"), ground.inputs["Color"])
    output = nodes.new("ShaderNodeOutputWorld")
    links.new(ground.outputs[0], output.inputs[0])


def _clouds(nodes: Any, links: Any, split: Any) -> Any:
    """How far clouds cover a direction, which `split` gives as x, y and z; the node's first output."""

    def maths(kind: str, a: Any, b: Any) -> Any:
        node = nodes.new("ShaderNodeMath")
        node.operation = kind
        for socket, value in zip(node.inputs, (a, b), strict=False):
            if isinstance(value, int | float):
                socket.default_value = value
            else:
                links.new(value, socket)
        return node.outputs[0]

    # Clouds lie on a level sheet overhead: the direction over its height.
    lift = maths("ADD", maths("MAXIMUM", split.outputs["Z"], 0.0), 0.12)
    flat = nodes.new("ShaderNodeCombineXYZ")
    links.new(maths("DIVIDE", split.outputs["X"], lift), flat.inputs[0])
    links.new(maths("DIVIDE", split.outputs["Y"], lift), flat.inputs[1])
    noise = nodes.new("ShaderNodeTexNoise")
    noise.inputs["Scale"].default_value = 0.85
    noise.inputs["Detail"].default_value = 9
    noise.inputs["Roughness"].default_value = 0.58
    noise.inputs["Distortion"].default_value = 0.3
    links.new(flat.outputs[0], noise.inputs["Vector"])
    cover = nodes.new("ShaderNodeValToRGB")
    cover.color_ramp.elements[0].position, cover.color_ramp.elements[1].position = 0.50, 0.72
    links.new(noise.outputs[0], cover.inputs[0])
    return cover
