"""Where was each lamp, how strong, how sure?"""


rule locate_lamps:
    """Position or direction, power and uncertainty of each lamp."""
    input:
        sheet_files(),
        photographs,
        stack=f"{FIELD}/frames/stack.zarr.zip",
    output:
        lamps=f"{FIELD}/lights/lamps.json",
        picture=report(
            f"{FIELD}/lights/spheres.png",
            caption="../report/spheres.rst",
            category="capture",
            labels={"plate": "{plate}", "side": "{side}", "field": "{field}", "map": "lamps"},
        ),
    log:
        f"{FIELD}/logs/locate-lamps.log",
    benchmark:
        f"{FIELD}/logs/locate-lamps.tsv"
    conda:
        "../envs/lightdome.yaml"
    threads: 2
    resources:
        mem_mb=memory_mb(300, 20),
    params:
        session=SESSION,
        code=code_mark("lights", "frames", "session"),
    shell:
        "lightdome locate-lamps {params.session:q} --plate {wildcards.plate} --side {wildcards.side}"
        " --field {wildcards.field} --stack {input.stack:q} --lamps {output.lamps:q}"
        " --picture {output.picture:q} --threads {threads} 2> {log:q}"
