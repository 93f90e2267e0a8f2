"""Commands of the word surface."""

import argparse
import os
from pathlib import Path
from typing import Any


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the commands."""
    solve = subparsers.add_parser("solve-normals", help="normal, tilt uncertainty and reflectance of every pixel")
    _paths(solve, "stack", "lamps", "normals", "uncertainty", "reflectance")
    solve.add_argument("--method", default="robust", help="robust or least-squares")
    _threads(solve)
    solve.set_defaults(run=_solve_normals)

    height = subparsers.add_parser("integrate-height", help="height of the whole field from its normals")
    _paths(height, "normals", "uncertainty", "height", "height-uncertainty")
    height.add_argument("--u-slope-gain", type=float, default=0.15, help="relative uncertainty shared by all slopes")
    _threads(height)
    height.set_defaults(run=_integrate_height)

    curvature = subparsers.add_parser("map-curvature", help="mean, Gaussian and principal curvatures at a scale")
    _paths(curvature, "normals", "curvature")
    curvature.add_argument("--scale-mm", type=float, default=0.3, help="cut-off of the Gaussian, mm")
    _threads(curvature)
    curvature.set_defaults(run=_map_curvature)

    texture = subparsers.add_parser("measure-texture", help="areal texture parameters by region")
    _paths(texture, "height", "texture")
    texture.add_argument("--s-filter-mm", type=float, help="nesting index, mm (default: from three pixels on)")
    texture.add_argument("--l-filter-mm", type=float, help="nesting index, mm (default: 2, or five times the S-filter)")
    _threads(texture)
    texture.set_defaults(run=_measure_texture)


def _paths(parser: argparse.ArgumentParser, *names: str) -> None:
    for name in names:
        parser.add_argument(f"--{name}", type=Path, required=True, metavar="FILE")


def _threads(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--threads", type=int, default=os.cpu_count() or 1, help="cores used")


def _solve_normals(**flags: Any) -> None:
    from lightdome.surface.steps import solve_normals

    solve_normals(**flags)


def _integrate_height(**flags: Any) -> None:
    from lightdome.surface.steps import integrate_height

    integrate_height(**flags)


def _map_curvature(**flags: Any) -> None:
    from lightdome.surface.steps import map_curvature

    map_curvature(**flags)


def _measure_texture(**flags: Any) -> None:
    from lightdome.surface.steps import measure_texture

    measure_texture(**flags)
