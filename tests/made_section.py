"""The section of a groove with given numbers."""

from lightdome.marks.records import Section


def section(**changed):
    """A V of twenty micrometres without ridges that tapers, but for what is changed."""
    facts = {
        "width_px": 8.0,
        "mouth_px": 15.0,
        "reach_px": 15.0,
        "depth_um": 20.0,
        "depth_rule": "bottom",
        "burr_left_um": 0.2,
        "burr_right_um": 0.2,
        "wall_um_per_px": 2.5,
        "wall_angle_deg": 22.6,
        "removed_fraction": 1.0,
        "floor_ratio": 0.3,
        "sharp_floor_ratio": changed.get("floor_ratio", 0.3),
        "width_variation": 0.05,
        "depth_variation": 0.05,
        "edge_variation": 0.01,
        "end_share": 0.3,
        "solid_share": 1.0,
        "u_width_px": 0.3,
        "u_depth_um": 0.5,
        "u_burr_um": 0.3,
        "u_removed_fraction": 0.03,
        "stations": 60,
    }
    return Section(**(facts | changed))
