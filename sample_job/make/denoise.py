"""Take the noise of few light paths out of a rendering, with the Open Image Denoise that bpy brings along.

The renderer denoises its joint picture only. Light by light, and with the poles in view, it has to be done
here; the library is called by its C interface (Open Image Denoise 2, `oidn.h`).
"""

from __future__ import annotations

import ctypes
from collections.abc import Mapping
from functools import cache
from importlib.metadata import distribution
from typing import Any

import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]

_CPU, _FLOAT3 = 1, 3
"""OIDN_DEVICE_TYPE_CPU and OIDN_FORMAT_FLOAT3."""


@cache
def _library() -> Any:
    found = ctypes.CDLL(str(distribution("bpy").locate_file("bpy/lib/libOpenImageDenoise.so.2")))
    pointer, text, size = ctypes.c_void_p, ctypes.c_char_p, ctypes.c_size_t
    calls: dict[str, tuple[Any, list[Any]]] = {
        "NewDevice": (pointer, [ctypes.c_int]),
        "SetDeviceInt": (None, [pointer, text, ctypes.c_int]),
        "SetDeviceBool": (None, [pointer, text, ctypes.c_bool]),
        "CommitDevice": (None, [pointer]),
        "GetDeviceError": (ctypes.c_int, [pointer, ctypes.POINTER(text)]),
        "NewFilter": (pointer, [pointer, text]),
        "SetSharedFilterImage": (None, [pointer, text, pointer, ctypes.c_int, size, size, size, size, size]),
        "SetFilterBool": (None, [pointer, text, ctypes.c_bool]),
        "CommitFilter": (None, [pointer]),
        "ExecuteFilter": (None, [pointer]),
        "ReleaseFilter": (None, [pointer]),
    }
    for name, (result, arguments) in calls.items():
        call = getattr(found, f"oidn{name}")
        call.restype, call.argtypes = result, arguments
    return found


@cache
def _device(threads: int) -> Any:
    library = _library()
    device = library.oidnNewDevice(_CPU)
    library.oidnSetDeviceInt(device, b"numThreads", threads)
    library.oidnSetDeviceBool(device, b"setAffinity", False)
    library.oidnCommitDevice(device)
    return device


def _filtered(pictures: Mapping[str, Picture], switches: tuple[str, ...], threads: int) -> Picture:
    """Run the ray tracing filter once; `pictures` by the library's names, the first is what is filtered."""
    library, device = _library(), _device(threads)
    held = {name: np.ascontiguousarray(picture, np.float32) for name, picture in pictures.items()}
    result = np.empty_like(next(iter(held.values())))
    height, width = result.shape[:2]
    task = library.oidnNewFilter(device, b"RT")
    for name, picture in {**held, "output": result}.items():
        place = picture.ctypes.data_as(ctypes.c_void_p)
        library.oidnSetSharedFilterImage(task, name.encode(), place, _FLOAT3, width, height, 0, 0, 0)
    for name in switches:
        library.oidnSetFilterBool(task, name.encode(), True)
    library.oidnCommitFilter(task)
    library.oidnExecuteFilter(task)
    library.oidnReleaseFilter(task)
    said = ctypes.c_char_p()
    if library.oidnGetDeviceError(device, ctypes.byref(said)):
        raise RuntimeError(f"Open Image Denoise: {(said.value or b'').decode()}")
    return result


def denoised(
    lights: Mapping[str, Picture], albedo: Picture, normal: Picture, *, threads: int = 1
) -> dict[str, Picture]:
    """Each light's picture denoised by itself, with the help of the same reflectance and surface normals.

    Parameters
    ----------
    lights : mapping of str to ndarray of shape (H, W, 3), dtype float32
        Linear light, noisy, by the light's name.
    albedo, normal : ndarray of shape (H, W, 3), dtype float32
        What the renderer keeps for denoising; they are cleaned first.
    threads : int
        Threads to use.

    Returns
    -------
    dict of str to ndarray of shape (H, W, 3), dtype float32
        Their sum is the picture under all lights.

    Raises
    ------
    RuntimeError
        If the library refuses.
    """
    albedo = _filtered({"albedo": albedo}, (), threads)
    normal = _filtered({"normal": normal}, (), threads)
    helped = {"albedo": albedo, "normal": normal}
    return {
        name: np.maximum(_filtered({"color": light, **helped}, ("hdr", "cleanAux"), threads), 0)
        for name, light in lights.items()
    }
