"""The error tree: what a person can mend.

    LightdomeError
        SessionError    the session folder: session.yaml, frames.csv, lamps.csv
        FrameError      one photograph
        LampError       the lamps and their layout
        SurfaceError    normals, height, curvature, texture
        MarkError       traces, sections, classes
        RelightError    the relightable model
        PublishError    the page and the report
        GridError       a raster that does not lie where it should
        ProductError    a product that cannot be read or written
            WriteError  one that cannot be written: no room, or no leave

Each message is one sentence: file, row or key, what is wrong, what to do. Commands print it and exit with code 2;
anything else that escapes is a bug and shows its traceback.
"""


class LightdomeError(Exception):
    """Base of every error that a person can mend."""


class SessionError(LightdomeError):
    """The session folder says something that cannot be right."""


class FrameError(LightdomeError):
    """A photograph cannot be used."""


class LampError(LightdomeError):
    """The lamps do not fix the surface."""


class SurfaceError(LightdomeError):
    """Normals, height, curvature or texture cannot be computed."""


class MarkError(LightdomeError):
    """Marks cannot be traced or classified."""


class RelightError(LightdomeError):
    """The relightable model cannot be fitted."""


class PublishError(LightdomeError):
    """A page or report cannot be made."""


class GridError(LightdomeError):
    """A raster does not lie where it should."""


class ProductError(LightdomeError):
    """A product cannot be read or written."""


class WriteError(ProductError):
    """A product cannot be written: there is no room, or no leave."""
