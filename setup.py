"""The compiled arithmetic of `panopipe.pixels`; all else about the package stands in pyproject.toml.

Where no compiler is at hand, installation goes on without it. No contraction to fused operations: the same
bits as the definitions in numpy, on every machine.
"""

from pathlib import Path

from setuptools import Extension, setup

HERE = Path("panopipe/pixels")

setup(
    ext_modules=[
        Extension(
            "panopipe.pixels._kernels",
            sources=[path.as_posix() for path in sorted(HERE.glob("*.c"))],
            depends=[path.as_posix() for path in sorted(HERE.glob("*.h"))],
            define_macros=[("Py_LIMITED_API", "0x030B0000")],
            extra_compile_args=["-O3", "-fno-math-errno", "-fno-trapping-math", "-ffp-contract=off"],
            py_limited_api=True,
            optional=True,
        )
    ],
    options={"bdist_wheel": {"py_limited_api": "cp311"}},
)
