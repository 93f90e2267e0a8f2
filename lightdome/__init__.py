"""Normals, height, curvature, relighting and separated marks of historic metal plates."""

from importlib.metadata import version

__version__ = version("lightdome")
