"""Which way does each point face, how does it reflect, how high is it, how does it bend, what texture?"""


rule solve_normals:
    """Normal of the mean slope, tilt uncertainty, reflectance and flags of every pixel, and the plate's lobe."""
    input:
        stack=f"{FIELD}/frames/stack.zarr.zip",
        lamps=f"{FIELD}/lights/lamps.json",
    output:
        normals=f"{FIELD}/surface/normals.tif",
        uncertainty=f"{FIELD}/surface/normal_uncertainty.tif",
        reflectance=f"{FIELD}/surface/reflectance.tif",
        map_of_flags=f"{FIELD}/surface/flags.tif",
        lobe=f"{FIELD}/surface/lobe.json",
    log:
        f"{FIELD}/logs/solve-normals.log",
    benchmark:
        f"{FIELD}/logs/solve-normals.tsv"
    conda:
        "../envs/lightdome.yaml"
    threads: 4
    resources:
        mem_mb=memory_mb(600, 0),
    params:
        flags=flags("solve_normals"),
        code=code_mark("surface", "lights"),
    shell:
        "lightdome solve-normals --stack {input.stack:q} --lamps {input.lamps:q} --normals {output.normals:q}"
        " --uncertainty {output.uncertainty:q} --reflectance {output.reflectance:q} --flags {output.map_of_flags:q}"
        " --lobe {output.lobe:q} {params.flags}"
        " --threads {threads} 2> {log:q}"


rule integrate_height:
    """Height of the whole field from its normals."""
    input:
        normals=f"{FIELD}/surface/normals.tif",
        uncertainty=f"{FIELD}/surface/normal_uncertainty.tif",
    output:
        height=f"{FIELD}/surface/height.tif",
        height_uncertainty=f"{FIELD}/surface/height_uncertainty.tif",
    log:
        f"{FIELD}/logs/integrate-height.log",
    benchmark:
        f"{FIELD}/logs/integrate-height.tsv"
    conda:
        "../envs/lightdome.yaml"
    threads: 4
    resources:
        mem_mb=memory_mb(250, 32),
    params:
        flags=flags("integrate_height"),
        code=code_mark("surface"),
    shell:
        "lightdome integrate-height --normals {input.normals:q} --uncertainty {input.uncertainty:q}"
        " --height {output.height:q} --height-uncertainty {output.height_uncertainty:q} {params.flags}"
        " --threads {threads} 2> {log:q}"


rule map_curvature:
    """Mean, Gaussian and principal curvatures at a stated scale."""
    input:
        f"{FIELD}/surface/normals.tif",
    output:
        f"{FIELD}/surface/curvature.tif",
    log:
        f"{FIELD}/logs/map-curvature.log",
    benchmark:
        f"{FIELD}/logs/map-curvature.tsv"
    conda:
        "../envs/lightdome.yaml"
    threads: 4
    resources:
        mem_mb=memory_mb(400, 2),
    params:
        flags=flags("map_curvature"),
        code=code_mark("surface"),
    shell:
        "lightdome map-curvature --normals {input:q} --curvature {output:q} {params.flags}"
        " --threads {threads} 2> {log:q}"


rule measure_texture:
    """Areal texture parameters by region."""
    input:
        height=f"{FIELD}/surface/height.tif",
        uncertainty=f"{FIELD}/surface/height_uncertainty.tif",
    output:
        f"{FIELD}/surface/texture.json",
    log:
        f"{FIELD}/logs/measure-texture.log",
    benchmark:
        f"{FIELD}/logs/measure-texture.tsv"
    conda:
        "../envs/lightdome.yaml"
    threads: 4
    resources:
        mem_mb=memory_mb(1050, 16),
    params:
        flags=flags("measure_texture"),
        code=code_mark("surface"),
    shell:
        "lightdome measure-texture --height {input.height:q} --height-uncertainty {input.uncertainty:q}"
        " --texture {output:q} {params.flags} --threads {threads} 2> {log:q}"
