"""How do people see, check, sign and keep it?"""

SHOWN = (
    "frames/quality.json",
    "lights/lamps.json",
    "surface/normals.tif",
    "surface/flags.tif",
    "surface/lobe.json",
    "surface/height.tif",
    "surface/height_uncertainty.tif",
    "surface/curvature.tif",
    "surface/texture.json",
    "marks/marks.geojson",
    "marks/class.tif",
    "marks/summary.json",
    "marks/etched_height.tif",
    "marks/scratch_height.tif",
    "marks/relief.tif",
    "relight/coefficients.tif",
)
LAYERED = (
    "frames/stack.zarr.zip",
    "surface/normal_uncertainty.tif",
    "surface/reflectance.tif",
    "relight/lobe.tif",
    "relight/quality.json",
)
"""Shown by the review page only."""


rule build_review:
    """The review page of a plate: display tiles, what they mean, still pictures, and the page itself."""
    input:
        sheet_files(),
        of_plate(*SHOWN, *LAYERED),
    output:
        page=f"{PLATE}/review/index.html",
        manifest=f"{PLATE}/review/plate.json",
        pictures=report(
            f"{PLATE}/review/pictures.html",
            caption="../report/review.rst",
            category="plates",
            labels={"plate": "{plate}", "map": "maps and marks"},
        ),
    log:
        f"{PLATE}/logs/build-review.log",
    benchmark:
        f"{PLATE}/logs/build-review.tsv"
    conda:
        "../envs/lightdome.yaml"
    resources:
        mem_mb=1000,
    params:
        session=SESSION,
        plate_results=lambda wildcards, output: Path(output[0]).parents[1],
        flags=flags("build_review"),
        code=code_mark("publish", "relight"),
    shell:
        "lightdome build-review {params.plate_results:q} --session {params.session:q} --page {output.page:q}"
        " {params.flags} 2> {log:q}"


rule write_report:
    """The condition report of a plate."""
    input:
        sheet_files(),
        of_plate(*SHOWN),
    output:
        report(
            f"{PLATE}/report.pdf",
            caption="../report/report.rst",
            category="plates",
            labels={"plate": "{plate}", "map": "condition report"},
        ),
    log:
        f"{PLATE}/logs/write-report.log",
    benchmark:
        f"{PLATE}/logs/write-report.tsv"
    conda:
        "../envs/lightdome.yaml"
    resources:
        mem_mb=600,
    params:
        session=SESSION,
        plate_results=lambda wildcards, output: Path(output[0]).parent,
        flags=flags("write_report"),
        code=code_mark("publish", "relight"),
    shell:
        "lightdome write-report {params.plate_results:q} --session {params.session:q} --report {output:q}"
        " {params.flags} 2> {log:q}"


rule summarise_night:
    """The morning summary of all plates; written from `onerror` too, when a plate has failed."""
    input:
        every_plate("review/index.html"),
        every_plate("report.pdf"),
    output:
        f"{NIGHT}/index.html",
    log:
        f"{NIGHT}/logs/summarise-night.log",
    conda:
        "../envs/lightdome.yaml"
    params:
        session=SESSION,
        results=lambda wildcards, output: Path(output[0]).parent,
        code=code_mark("publish"),
    shell:
        "lightdome summarise-night {params.results:q} --session {params.session:q} --page {output:q} 2> {log:q}"
