"""Commands of the word surface."""

import argparse
from typing import Any

from lightdome.commands.products import add_products, add_threads


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the commands."""
    solve = subparsers.add_parser("solve-normals", help="normal, tilt uncertainty and reflectance of every pixel")
    add_products(solve, reads=("stack", "lamps"), writes=("normals", "uncertainty", "reflectance", "flags", "lobe"))
    solve.add_argument("--method", default="microfacet", help="microfacet, robust or least-squares")
    add_threads(solve)
    solve.set_defaults(run=_solve_normals)

    height = subparsers.add_parser("integrate-height", help="height of the whole field from its normals")
    add_products(height, reads=("normals", "uncertainty"), writes=("height", "height-uncertainty"))
    height.add_argument("--u-slope-gain", type=float, default=0.08, help="relative uncertainty shared by all slopes")
    add_threads(height)
    height.set_defaults(run=_integrate_height)

    curvature = subparsers.add_parser("map-curvature", help="mean, Gaussian and principal curvatures at a scale")
    add_products(curvature, reads=("normals",), writes=("curvature",))
    curvature.add_argument("--scale-mm", type=float, default=0.3, help="cut-off of the Gaussian, mm")
    add_threads(curvature)
    curvature.set_defaults(run=_map_curvature)

    texture = subparsers.add_parser("measure-texture", help="areal texture parameters by region")
    add_products(texture, reads=("height", "height-uncertainty"), writes=("texture",))
    texture.add_argument("--s-filter-mm", type=float, help="nesting index, mm (default: from three pixels on)")
    texture.add_argument("--l-filter-mm", type=float, help="nesting index, mm (default: 2, or five times the S-filter)")
    add_threads(texture)
    texture.set_defaults(run=_measure_texture)


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
