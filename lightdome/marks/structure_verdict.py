"""The structure of an etched area as a record, its verdict, and the sentences with the numbers that decided."""

from dataclasses import asdict, dataclass
from typing import Any

from lightdome.marks.point_pattern import DensityByDepth, Neighbours

RELIEF = 2.0
"""Root mean square height over that of the noise from which a floor has a relief of its own."""
FEWEST_GRAINS = 20
MOSTLY_STRAIGHT, HARDLY_STRAIGHT = 0.6, 0.4
SIGNIFICANT_Z = 1.96
SIGNIFICANT_P = 0.05


@dataclass(frozen=True)
class Structure:
    """The structure of one etched area; None where a number cannot be told, and then no sentence speaks of it."""

    verdict: str
    """continuous, grained, line-built or not decided."""
    evidence: tuple[str, ...]
    area_mm2: float
    """What was looked at."""
    looked_at_share: float
    """Of the area less its edge; below 1 for areas larger than one window."""
    s_filter_mm: float
    l_filter_mm: float
    noise_um: float
    rms_height_um: float
    """Sq of the scale-limited surface."""
    least_height_um: float
    """Grains are at least this high: 5 % of Sz, or five times the noise."""
    grain_kind: str
    """hills or dales."""
    grain_count: int
    grains_per_mm2: float
    u_grains_per_mm2: float
    """Standard uncertainty, from the count alone."""
    diameter_um: tuple[float, float, float] | None
    """Lower quartile, median, upper quartile of the diameter of a circle as large as a grain at half its height."""
    grain_height_um: float | None
    """Median height of the grains above (dales: depth below) their highest saddle."""
    neighbours: Neighbours | None
    density_by_depth: DensityByDepth | None
    depth_um: tuple[float, ...]
    """Depth that 5, 25, 50, 75 and 95 % of the area do not reach, below the reference surface."""
    Str: float | None
    Std_deg: float | None
    """Direction of the lay, counter-clockwise from +x; None where Str is 0.5 or more."""
    straight_share: float
    """Of the low parts (or of the high ones, where they are fewer): in straight runs of at least eight widths."""

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return asdict(self)


def judge_structure(found: Structure) -> tuple[str, tuple[str, ...]]:
    """Verdict and evidence; the verdict of the record itself is not looked at."""
    relief = found.rms_height_um > RELIEF * found.noise_um
    if not relief or (found.grain_count == 0 and found.straight_share < MOSTLY_STRAIGHT):
        verdict = "continuous"
    elif found.straight_share >= MOSTLY_STRAIGHT:
        verdict = "line-built"
    elif found.straight_share <= HARDLY_STRAIGHT and found.grain_count >= FEWEST_GRAINS:
        verdict = "grained"
    else:
        verdict = "not decided"
    sentences = [_relief(found, relief)]
    if found.looked_at_share < 1:
        share = 100 * found.looked_at_share
        sentences.append(
            f"All this was looked at in one window of {found.area_mm2:.3g} mm2, {share:.2g} % of the area."
        )
    if relief:
        sentences += [_lines(found), *_grains(found)]
    sentences.append(_depth(found))
    return verdict, tuple(sentences)


def _relief(found: Structure, relief: bool) -> str:
    says = "is more than" if relief else "is no more than"
    return (
        f"The floor's relief {says} {RELIEF:g} times the noise: {found.rms_height_um:.2g} um against a noise of "
        f"{found.noise_um:.2g} um (root mean square, waves of {found.s_filter_mm:g} to {found.l_filter_mm:g} mm)."
    )


def _lines(found: Structure) -> str:
    share = f"{100 * found.straight_share:.0f} % of its figure lies in straight runs of at least eight widths"
    bounds = f"lines from {100 * MOSTLY_STRAIGHT:.0f} % on, grains up to {100 * HARDLY_STRAIGHT:.0f} %"
    if found.Str is None:
        way = "along its lay it stays alike up to the longest distance looked at"
    else:
        way = f"texture aspect ratio Str {found.Str:.2f} (0 directional, 1 isotropic)"
    if found.Std_deg is not None:
        way += f", direction of the lay {found.Std_deg:.0f} degrees from x"
    return f"{share} ({bounds}); {way}."


def _grains(found: Structure) -> list[str]:
    word = "pits" if found.grain_kind == "dales" else "grains"
    if not found.grain_count:
        return [f"No {word} differ from the floor beside them by {found.least_height_um:.2g} um or more."]
    said = [
        f"{found.grain_count} {word} ({found.grain_kind}) differ from the floor beside them by "
        f"{found.least_height_um:.2g} um or more (5 % of Sz, and no less than five times the noise): "
        f"{found.grains_per_mm2:.3g} per mm2, standard uncertainty {found.u_grains_per_mm2:.2g} from the count; "
        f"it needs {FEWEST_GRAINS} to tell."
    ]
    if found.diameter_um and found.grain_height_um is not None:
        low, middle, high = found.diameter_um
        said.append(
            f"Their median diameter is {middle:.3g} um (quartiles {low:.3g} and {high:.3g} um) at half their height, "
            f"their median height {found.grain_height_um:.2g} um; no uncertainty is known."
        )
    if found.neighbours:
        ratio, z = found.neighbours.ratio, found.neighbours.z
        way = (
            "evenly spread" if z > SIGNIFICANT_Z else "in clusters" if z < -SIGNIFICANT_Z else "as in a random scatter"
        )
        said.append(
            f"They lie {way}: nearest neighbours are {ratio:.2f} times as far apart as at random "
            f"(Clark and Evans, z = {z:.1f}, {found.neighbours.count} {word} away from the edge)."
        )
    if found.density_by_depth:
        by_depth = found.density_by_depth
        if by_depth.p >= SIGNIFICANT_P:
            way = "Their number does not follow the depth"
        else:
            way = f"There are {'more' if by_depth.rank_correlation > 0 else 'fewer'} of them where it is deeper"
        said.append(f"{way} (rank correlation {by_depth.rank_correlation:.2f}, {by_depth.windows} windows).")
    return said


def _depth(found: Structure) -> str:
    low, _, middle, _, high = found.depth_um
    return (
        f"Its median depth is {middle:.3g} um; 90 % of it lies between {low:.3g} and {high:.3g} um; "
        "no uncertainty is stated for these."
    )
