"""What marks are there, what are their sections, what made them?"""


rule trace_marks:
    """Lines joined into traces, and areas below or above the surface beside them."""
    input:
        height=f"{FIELD}/surface/height.tif",
        height_uncertainty=f"{FIELD}/surface/height_uncertainty.tif",
        normal_uncertainty=f"{FIELD}/surface/normal_uncertainty.tif",
        curvature=f"{FIELD}/surface/curvature.tif",
    output:
        traces=f"{FIELD}/marks/traces.json",
        areas=f"{FIELD}/marks/areas.tif",
    log:
        f"{FIELD}/logs/trace-marks.log",
    benchmark:
        f"{FIELD}/logs/trace-marks.tsv"
    conda:
        "../envs/lightdome.yaml"
    threads: 4
    resources:
        mem_mb=memory_mb(350, 45),
    params:
        flags=flags("trace_marks"),
        code=code_mark("marks"),
    shell:
        "lightdome trace-marks --height {input.height:q} --height-uncertainty {input.height_uncertainty:q}"
        " --normal-uncertainty {input.normal_uncertainty:q} --curvature {input.curvature:q}"
        " --traces {output.traces:q} --areas {output.areas:q} {params.flags}"
        " --threads {threads} 2> {log:q}"


rule classify_marks:
    """Section, most likely cause, evidence and confidence of every mark."""
    input:
        height=f"{FIELD}/surface/height.tif",
        height_uncertainty=f"{FIELD}/surface/height_uncertainty.tif",
        normal_uncertainty=f"{FIELD}/surface/normal_uncertainty.tif",
        reflectance=f"{FIELD}/surface/reflectance.tif",
        stack=f"{FIELD}/frames/stack.zarr.zip",
        traces=f"{FIELD}/marks/traces.json",
        areas=f"{FIELD}/marks/areas.tif",
    output:
        marks=f"{FIELD}/marks/marks.geojson",
        table=report(
            f"{FIELD}/marks/marks.csv",
            caption="../report/marks.rst",
            category="marks",
            labels={"plate": "{plate}", "side": "{side}", "field": "{field}", "map": "table of marks"},
        ),
        classes=f"{FIELD}/marks/class.tif",
        summary=f"{FIELD}/marks/summary.json",
    log:
        f"{FIELD}/logs/classify-marks.log",
    benchmark:
        f"{FIELD}/logs/classify-marks.tsv"
    conda:
        "../envs/lightdome.yaml"
    resources:
        mem_mb=memory_mb(350, 47),
    params:
        code=code_mark("marks"),
    shell:
        "lightdome classify-marks --height {input.height:q} --height-uncertainty {input.height_uncertainty:q}"
        " --normal-uncertainty {input.normal_uncertainty:q} --reflectance {input.reflectance:q} --stack {input.stack:q}"
        " --traces {input.traces:q} --areas {input.areas:q}"
        " --marks {output.marks:q} --table {output.table:q} --classes {output.classes:q} --summary {output.summary:q}"
        " 2> {log:q}"


rule split_relief:
    """Form, etched relief and later marks, adding up to the height."""
    input:
        height=f"{FIELD}/surface/height.tif",
        marks=f"{FIELD}/marks/marks.geojson",
        classes=f"{FIELD}/marks/class.tif",
    output:
        etched_height=f"{FIELD}/marks/etched_height.tif",
        scratch_height=f"{FIELD}/marks/scratch_height.tif",
        relief=f"{FIELD}/marks/relief.tif",
        fill_mask=f"{FIELD}/marks/fill_mask.tif",
    log:
        f"{FIELD}/logs/split-relief.log",
    benchmark:
        f"{FIELD}/logs/split-relief.tsv"
    conda:
        "../envs/lightdome.yaml"
    resources:
        mem_mb=memory_mb(300, 40),
    params:
        flags=flags("split_relief"),
        code=code_mark("marks"),
    shell:
        "lightdome split-relief --height {input.height:q} --marks {input.marks:q} --classes {input.classes:q}"
        " --etched-height {output.etched_height:q} --scratch-height {output.scratch_height:q}"
        " --relief {output.relief:q} --fill-mask {output.fill_mask:q} {params.flags} 2> {log:q}"
