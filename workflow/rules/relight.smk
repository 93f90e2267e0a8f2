"""How does it look under any lamp?"""


rule fit_relighting:
    """A relightable model of every pixel, and its error on lamps left out."""
    input:
        stack=f"{FIELD}/frames/stack.zarr.zip",
        lamps=f"{FIELD}/lights/lamps.json",
        lobe=f"{FIELD}/surface/lobe.json",
    output:
        coefficients=f"{FIELD}/relight/coefficients.tif",
        lobe_model=f"{FIELD}/relight/lobe.tif",
        quality=f"{FIELD}/relight/quality.json",
    log:
        f"{FIELD}/logs/fit-relighting.log",
    benchmark:
        f"{FIELD}/logs/fit-relighting.tsv"
    conda:
        "../envs/lightdome.yaml"
    threads: 4
    resources:
        mem_mb=memory_mb(600, 15),
    params:
        flags=flags("fit_relighting"),
        code=code_mark("relight", "surface", "lights"),
    shell:
        "lightdome fit-relighting --stack {input.stack:q} --lamps {input.lamps:q} --lobe {input.lobe:q}"
        " --coefficients {output.coefficients:q} --lobe-model {output.lobe_model:q} --quality {output.quality:q}"
        " {params.flags} --threads {threads} 2> {log:q}"
