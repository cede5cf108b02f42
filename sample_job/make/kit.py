"""Solids and surfaces for the renderer: what the house is put together from.

Lengths are metres, x east, y north, z up. All meshes are made in world coordinates (objects stay at the
origin), so that a picture on a surface can be placed by position alone.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import Any

import bmesh
import bpy
import numpy as np
from mathutils import Matrix, Vector

Colour = tuple[float, float, float]
Point = tuple[float, float, float]

_pictures: dict[str, Any] = {}
_materials: dict[str, Any] = {}


def forget() -> None:
    """Start anew: what was made belongs to a scene that is gone."""
    _pictures.clear()
    _materials.clear()


def picture(name: str, values: np.ndarray) -> Any:
    """Hand a float picture (rows top down, linear) to the renderer."""
    if name not in _pictures:
        height, width = values.shape[:2]
        image = bpy.data.images.new(name, width, height, float_buffer=True)
        image.colorspace_settings.name = "Linear Rec.709"
        full = np.ones((height, width, 4), np.float32)
        full[..., :3] = values[::-1]
        image.pixels.foreach_set(full.ravel())
        image.pack()
        _pictures[name] = image
    return _pictures[name]


def _new(name: str, index: int) -> tuple[Any, Any, Any]:
    material = bpy.data.materials.new(name)
    material.use_nodes = True
    material.pass_index = index
    nodes = material.node_tree.nodes
    nodes.clear()
    _materials[name] = material
    return material, nodes, material.node_tree.links


def matt(name: str, colour: Colour, *, index: int = 0, bump: Any = None) -> Any:
    """Ideal diffuser of a known reflectance (wall paint, plaster, linen)."""
    if name in _materials:
        return _materials[name]
    material, nodes, links = _new(name, index)
    shader = nodes.new("ShaderNodeBsdfDiffuse")
    shader.inputs["Color"].default_value = (*colour, 1)
    if bump is not None:
        _bump(nodes, links, shader, _image(nodes, links, bump, 0.9, (0, 0, 0), "BOX"), 0.12, 0.002)
    _finish(nodes, links, shader)
    return material


def glossy(
    name: str,
    colour: Colour,
    *,
    roughness: float = 0.4,
    metal: float = 0.0,
    index: int = 0,
    specular: float = 0.5,
    sheen: float = 0.0,
) -> Any:
    """Even colour under a clear or metallic surface."""
    if name in _materials:
        return _materials[name]
    material, nodes, links = _new(name, index)
    shader = _principled(nodes, roughness, metal, specular, sheen)
    shader.inputs["Base Color"].default_value = (*colour, 1)
    _finish(nodes, links, shader)
    return material


def papered(  # noqa: PLR0913  (one argument for each property of a surface)
    name: str,
    image: Any,
    metres: float,
    *,
    tint: Colour = (1, 1, 1),
    roughness: float = 0.5,
    bump: float = 0.0,
    offset: Point = (0, 0, 0),
    turn: Point = (0, 0, 0),
    aspect: float = 1.0,
    projection: str = "BOX",
    specular: float = 0.5,
    sheen: float = 0.0,
    index: int = 0,
) -> Any:
    """A surface covered with a picture that repeats every `metres` (its height: metres x aspect)."""
    if name in _materials:
        return _materials[name]
    material, nodes, links = _new(name, index)
    shader = _principled(nodes, roughness, 0.0, specular, sheen)
    texture = _image(nodes, links, image, metres, offset, projection, turn, aspect)
    mixed = nodes.new("ShaderNodeMix")
    mixed.data_type, mixed.blend_type = "RGBA", "MULTIPLY"
    mixed.inputs["Factor"].default_value = 1
    colours = [socket for socket in mixed.inputs if socket.type == "RGBA"]
    links.new(texture.outputs["Color"], colours[0])
    colours[1].default_value = (*tint, 1)
    result = next(socket for socket in mixed.outputs if socket.type == "RGBA")
    links.new(result, shader.inputs["Base Color"])
    if bump:
        _bump(nodes, links, shader, texture, bump, 0.003)
    _finish(nodes, links, shader)
    return material


def _principled(nodes: Any, roughness: float, metal: float, specular: float, sheen: float) -> Any:
    shader = nodes.new("ShaderNodeBsdfPrincipled")
    shader.inputs["Roughness"].default_value = roughness
    shader.inputs["Metallic"].default_value = metal
    shader.inputs["Specular IOR Level"].default_value = specular
    shader.inputs["Sheen Weight"].default_value = sheen
    return shader


def _image(
    nodes: Any,
    links: Any,
    image: Any,
    metres: float,
    offset: Point,
    projection: str,
    turn: Point = (0, 0, 0),
    aspect: float = 1.0,
) -> Any:
    place = nodes.new("ShaderNodeNewGeometry")
    mapping = nodes.new("ShaderNodeMapping")
    mapping.vector_type = "POINT"
    mapping.inputs["Location"].default_value = offset
    mapping.inputs["Rotation"].default_value = turn
    mapping.inputs["Scale"].default_value = (1 / metres, 1 / (metres * aspect), 1 / metres)
    texture = nodes.new("ShaderNodeTexImage")
    texture.image, texture.projection, texture.projection_blend = image, projection, 0.1
    links.new(place.outputs["Position"], mapping.inputs["Vector"])
    links.new(mapping.outputs["Vector"], texture.inputs["Vector"])
    return texture


def _bump(nodes: Any, links: Any, shader: Any, texture: Any, strength: float, distance: float) -> None:
    bump = nodes.new("ShaderNodeBump")
    bump.inputs["Strength"].default_value = strength
    bump.inputs["Distance"].default_value = distance
    links.new(texture.outputs["Color"], bump.inputs["Height"])
    links.new(bump.outputs["Normal"], shader.inputs["Normal"])


def _finish(nodes: Any, links: Any, shader: Any) -> None:
    output = nodes.new("ShaderNodeOutputMaterial")
    links.new(shader.outputs[0], output.inputs["Surface"])


def glass(name: str = "glass", *, frosted: bool = False) -> Any:
    """Thin window glass: lets light straight through and reflects a little of the room."""
    if name in _materials:
        return _materials[name]
    material, nodes, links = _new(name, 0)
    clear = nodes.new("ShaderNodeBsdfTranslucent" if frosted else "ShaderNodeBsdfTransparent")
    clear.inputs["Color"].default_value = (0.93, 0.93, 0.93, 1)
    shine = nodes.new("ShaderNodeBsdfGlossy")
    shine.inputs["Roughness"].default_value = 0.25 if frosted else 0.0
    # Schlick 1994 from both sides; a true Fresnel node would take the far face for the inside of a block.
    facing, power, share = (
        nodes.new("ShaderNodeLayerWeight"),
        nodes.new("ShaderNodeMath"),
        nodes.new("ShaderNodeMath"),
    )
    power.operation, share.operation = "POWER", "MULTIPLY_ADD"
    facing.inputs["Blend"].default_value = 0.5
    power.inputs[1].default_value = 5
    share.inputs[1].default_value, share.inputs[2].default_value = 0.96, 0.04
    links.new(facing.outputs["Facing"], power.inputs[0])
    links.new(power.outputs[0], share.inputs[0])
    mix = nodes.new("ShaderNodeMixShader")
    links.new(share.outputs[0], mix.inputs[0])
    links.new(clear.outputs[0], mix.inputs[1])
    links.new(shine.outputs[0], mix.inputs[2])
    _finish(nodes, links, mix)
    return material


def veil(name: str, colour: Colour, *, open_share: float = 0.35, passing: float = 0.5) -> Any:
    """Sheer cloth or a leaf: partly open, the rest scatters light to both sides."""
    if name in _materials:
        return _materials[name]
    material, nodes, links = _new(name, 0)
    front, back = nodes.new("ShaderNodeBsdfDiffuse"), nodes.new("ShaderNodeBsdfTranslucent")
    for shader in (front, back):
        shader.inputs["Color"].default_value = (*colour, 1)
    both, whole = nodes.new("ShaderNodeMixShader"), nodes.new("ShaderNodeMixShader")
    both.inputs[0].default_value = passing
    whole.inputs[0].default_value = open_share
    hole = nodes.new("ShaderNodeBsdfTransparent")
    links.new(front.outputs[0], both.inputs[1])
    links.new(back.outputs[0], both.inputs[2])
    links.new(both.outputs[0], whole.inputs[1])
    links.new(hole.outputs[0], whole.inputs[2])
    _finish(nodes, links, whole)
    return material


def glow(name: str, colour: Colour, strength: float, *, sampled: bool = True) -> Any:
    """A surface that gives light (a lamp's shade or globe); not `sampled` when a bulb stands for it."""
    if name in _materials:
        return _materials[name]
    material, nodes, links = _new(name, 99)
    shader = nodes.new("ShaderNodeEmission")
    shader.inputs["Color"].default_value = (*colour, 1)
    shader.inputs["Strength"].default_value = strength
    _finish(nodes, links, shader)
    material.cycles.emission_sampling = "AUTO" if sampled else "NONE"
    return material


def only_seen(thing: Any) -> None:
    """Let a glowing body be seen and mirrored, while a bulb in its place gives the light."""
    thing.visible_diffuse = thing.visible_shadow = False


def unlit(thing: Any) -> None:
    """Let light pass as if the thing were not there (clear glass); it is still seen and still mirrors."""
    thing.visible_diffuse = thing.visible_shadow = False


def place(
    mesh: Any,
    material: Any,
    *,
    at: Point = (0, 0, 0),
    yaw: float = 0.0,
    tilt: tuple[float, float] = (0, 0),
    smooth: bool = True,
) -> Any:
    """Turn a bmesh (tilt about x, then y, then yaw about z, degrees), move it, and put it in the scene."""
    turned = (
        Matrix.Translation(Vector(at))
        @ Matrix.Rotation(math.radians(yaw), 4, "Z")
        @ Matrix.Rotation(math.radians(tilt[1]), 4, "Y")
        @ Matrix.Rotation(math.radians(tilt[0]), 4, "X")
    )
    mesh.transform(turned)
    data = bpy.data.meshes.new("solid")
    mesh.normal_update()
    mesh.to_mesh(data)
    mesh.free()
    data.materials.append(material)
    if smooth:
        data.shade_smooth()
    thing = bpy.data.objects.new("solid", data)
    bpy.context.scene.collection.objects.link(thing)
    return thing


def box(
    low: Point,
    high: Point,
    material: Any,
    *,
    bevel: float = 0.0,
    at: Point = (0, 0, 0),
    yaw: float = 0.0,
    tilt: tuple[float, float] = (0, 0),
) -> Any:
    """A box between two corners, its edges rounded by `bevel` metres."""
    mesh = bmesh.new()
    bmesh.ops.create_cube(mesh, size=1)
    size = [b - a for a, b in zip(low, high, strict=True)]
    mesh.transform(
        Matrix.Translation([(a + b) / 2 for a, b in zip(low, high, strict=True)])
        @ Matrix.Diagonal((*size, 1))
    )
    if bevel:
        bevel = min(bevel, 0.49 * min(abs(value) for value in size))
        bmesh.ops.bevel(mesh, geom=mesh.edges[:], offset=bevel, segments=3, profile=0.5, affect="EDGES")
    thing = place(mesh, material, at=at, yaw=yaw, tilt=tilt, smooth=bool(bevel))
    if bevel:
        _sharpen(thing)
    return thing


def _sharpen(thing: Any) -> None:
    """Keep flat faces flat beside rounded edges."""
    thing.data.set_sharp_from_angle(angle=math.radians(40))


def turned(
    profile: Sequence[tuple[float, float]], material: Any, *, at: Point = (0, 0, 0), steps: int = 40
) -> Any:
    """A solid of revolution about the vertical from (radius, height) pairs."""
    mesh = bmesh.new()
    rings = []
    for radius, height in profile:
        ring = [
            mesh.verts.new(
                (
                    radius * math.cos(2 * math.pi * k / steps),
                    radius * math.sin(2 * math.pi * k / steps),
                    height,
                )
            )
            for k in range(steps)
        ]
        rings.append(ring)
    for lower, upper in itertools.pairwise(rings):
        for k in range(steps):
            mesh.faces.new((lower[k], lower[(k + 1) % steps], upper[(k + 1) % steps], upper[k]))
    bmesh.ops.recalc_face_normals(mesh, faces=mesh.faces[:])
    thing = place(mesh, material, at=at)
    _sharpen(thing)
    return thing


def rod(start: Point, end: Point, radius: float, material: Any, *, end_radius: float | None = None) -> Any:
    """A round bar between two points, closed at the ends."""
    mesh = bmesh.new()
    a, b = Vector(start), Vector(end)
    bmesh.ops.create_cone(
        mesh,
        cap_ends=True,
        segments=20,
        radius1=radius,
        radius2=radius if end_radius is None else end_radius,
        depth=(b - a).length,
    )
    spin = (b - a).to_track_quat("Z", "Y").to_matrix().to_4x4()
    mesh.transform(Matrix.Translation((a + b) / 2) @ spin)
    thing = place(mesh, material)
    _sharpen(thing)
    return thing


def disc(radius: float, thick: float, material: Any, *, at: Point, tilt: tuple[float, float] = (0, 0)) -> Any:
    """A flat round plate."""
    mesh = bmesh.new()
    bmesh.ops.create_cone(mesh, cap_ends=True, segments=64, radius1=radius, radius2=radius, depth=thick)
    return place(mesh, material, at=at, tilt=tilt, smooth=False)


def ball(centre: Point, radius: float, material: Any, *, flat: float = 1.0) -> Any:
    """A sphere, flattened to `flat` of its height."""
    mesh = bmesh.new()
    bmesh.ops.create_uvsphere(mesh, u_segments=40, v_segments=24, radius=radius)
    mesh.transform(Matrix.Diagonal((1, 1, flat, 1)))
    return place(mesh, material, at=centre)


def cushion(
    size: Point,
    material: Any,
    *,
    at: Point,
    yaw: float = 0.0,
    tilt: tuple[float, float] = (0, 0),
    square: float = 0.32,
    crumple: float = 0.0,
    seed: int = 0,
) -> Any:
    """A stuffed block: a superellipsoid (square 0 is a box, 1 an ellipsoid), with soft creases."""
    random = np.random.default_rng(seed)
    u = np.linspace(-math.pi, math.pi, 65)[:-1]
    v = np.linspace(-math.pi / 2, math.pi / 2, 33)

    def power(value: np.ndarray) -> np.ndarray:
        return np.sign(value) * np.abs(value) ** square

    waves = random.normal(size=(6, 2)) * 4
    phase = random.uniform(0, 6.28, 6)
    mesh = bmesh.new()
    rings = []
    for angle in v:
        x = size[0] / 2 * power(np.array(math.cos(angle))) * power(np.cos(u))
        y = size[1] / 2 * power(np.array(math.cos(angle))) * power(np.sin(u))
        z = np.full_like(u, size[2] / 2 * float(power(np.array(math.sin(angle)))))
        crease = (
            sum(
                np.sin(waves[k, 0] * x / size[0] * 3 + waves[k, 1] * y / size[1] * 3 + phase[k])
                for k in range(6)
            )
            / 6
        )
        # A cushion is thickest in the middle and pinched to its corners.
        swell = 1 + 0.22 * (1 - (2 * x / size[0]) ** 2) * (1 - (2 * y / size[1]) ** 2) - 0.12
        z = z * swell + crumple * crease
        rings.append(
            [mesh.verts.new((float(a), float(b), float(c))) for a, b, c in zip(x, y, z, strict=True)]
        )
    for lower, upper in itertools.pairwise(rings):
        for k in range(64):
            mesh.faces.new((lower[k], lower[(k + 1) % 64], upper[(k + 1) % 64], upper[k]))
    bmesh.ops.remove_doubles(mesh, verts=mesh.verts[:], dist=1e-5)
    return place(mesh, material, at=at, yaw=yaw, tilt=tilt)


def sheet(points: np.ndarray, material: Any) -> Any:
    """A surface through a grid of points (rows, columns, 3)."""
    rows, columns = points.shape[:2]
    mesh = bmesh.new()
    vertices = [[mesh.verts.new(points[r, c]) for c in range(columns)] for r in range(rows)]
    for r in range(rows - 1):
        for c in range(columns - 1):
            mesh.faces.new((vertices[r][c], vertices[r][c + 1], vertices[r + 1][c + 1], vertices[r + 1][c]))
    return place(mesh, material)


def curtain(
    start: tuple[float, float],
    end: tuple[float, float],
    low: float,
    high: float,
    material: Any,
    *,
    folds: int,
    deep: float = 0.045,
    seed: int = 0,
) -> Any:
    """Cloth hanging between two points of the plan, in uneven folds."""
    random = np.random.default_rng(seed)
    t = np.linspace(0, 1, 14 * folds + 1)
    heights = np.linspace(high, low, 12)
    a, b = np.asarray(start), np.asarray(end)
    across = np.array([-(b - a)[1], (b - a)[0]]) / np.linalg.norm(b - a)
    wobble = np.interp(t, np.linspace(0, 1, folds + 1), random.normal(0, 0.9, folds + 1))
    points = np.empty((len(heights), len(t), 3))
    for row, height in enumerate(heights):
        fall = (high - height) / (high - low)
        wave = deep * (0.7 + 0.5 * fall) * np.sin(2 * np.pi * folds * t + wobble * (0.5 + fall))
        points[row, :, :2] = a + t[:, None] * (b - a) + wave[:, None] * across
        points[row, :, 2] = height
    return sheet(points, material)


def leaves(centres: np.ndarray, size: float, material: Any, *, seed: int, narrow: float = 0.5) -> Any:
    """Many small leaves, one folded quad each, at random turns."""
    random = np.random.default_rng(seed)
    count = len(centres)
    along = random.normal(size=(count, 3))
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    side = np.cross(along, random.normal(size=(count, 3)))
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    scale = size * random.uniform(0.7, 1.3, (count, 1))
    corners = np.stack(
        [
            centres - along * scale,
            centres + side * scale * narrow,
            centres + along * scale,
            centres - side * scale * narrow,
        ],
        1,
    ).reshape(-1, 3)
    data = bpy.data.meshes.new("leaves")
    data.from_pydata(corners.tolist(), [], np.arange(4 * count).reshape(count, 4).tolist())
    data.materials.append(material)
    thing = bpy.data.objects.new("leaves", data)
    bpy.context.scene.collection.objects.link(thing)
    return thing


def again(thing: Any, *, at: Point, yaw: float = 0.0, size: float = 1.0) -> Any:
    """The same mesh once more, elsewhere."""
    copy = bpy.data.objects.new("again", thing.data)
    copy.location, copy.rotation_euler, copy.scale = at, (0, 0, math.radians(yaw)), (size,) * 3
    bpy.context.scene.collection.objects.link(copy)
    return copy


def lamp(at: Point, power: float, colour: Colour, *, radius: float = 0.04) -> Any:
    """A bulb: a small sphere of light, its power in the scene's radiant unit."""
    light = bpy.data.lights.new("lamp", "POINT")
    light.energy, light.color, light.shadow_soft_size = power, colour, radius
    thing = bpy.data.objects.new("lamp", light)
    thing.location = at
    bpy.context.scene.collection.objects.link(thing)
    return thing


def portal(low: Point, high: Point, inward: Point) -> None:
    """Tell the renderer that daylight enters here (a guide for its sampling, gives no light itself)."""
    light = bpy.data.lights.new("portal", "AREA")
    light.shape = "RECTANGLE"
    light.cycles.is_portal = True
    middle = [(a + b) / 2 for a, b in zip(low, high, strict=True)]
    spans = [abs(b - a) for a, b in zip(low, high, strict=True)]
    light.size = max(spans[0], spans[1])
    light.size_y = spans[2]
    thing = bpy.data.objects.new("portal", light)
    thing.location = middle
    thing.rotation_euler = Vector(inward).to_track_quat("-Z", "Y").to_euler()
    bpy.context.scene.collection.objects.link(thing)


def loft(
    rings: Sequence[tuple[float, float, float, float]],
    material: Any,
    *,
    at: Point,
    yaw: float = 0.0,
    shift: Sequence[float] | None = None,
) -> Any:
    """A solid through level rings of (half length, half width, height, squareness 0 to 1)."""
    mesh = bmesh.new()
    angle = np.linspace(0, 2 * math.pi, 73)[:-1]
    loops = []
    for index, (long, wide, height, square) in enumerate(rings):
        bend = 1 - 0.72 * square
        x = long * np.sign(np.cos(angle)) * np.abs(np.cos(angle)) ** bend
        y = wide * np.sign(np.sin(angle)) * np.abs(np.sin(angle)) ** bend
        x = x + (shift[index] if shift else 0)
        loops.append([mesh.verts.new((float(a), float(b), height)) for a, b in zip(x, y, strict=True)])
    for lower, upper in itertools.pairwise(loops):
        for k in range(72):
            mesh.faces.new((lower[k], lower[(k + 1) % 72], upper[(k + 1) % 72], upper[k]))
    mesh.faces.new(loops[-1])
    bmesh.ops.recalc_face_normals(mesh, faces=mesh.faces[:])
    thing = place(mesh, material, at=at, yaw=yaw)
    _sharpen(thing)
    return thing
