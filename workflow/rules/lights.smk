"""Where was each lamp, how strong, how sure?"""


rule locate_lamps:
    """Position or direction, power and uncertainty of each lamp."""
    input:
        sheet_files(),
        stack=f"{FIELD}/frames/stack.zarr.zip",
    output:
        f"{FIELD}/lights/lamps.json",
    log:
        f"{FIELD}/logs/locate-lamps.log",
    benchmark:
        f"{FIELD}/logs/locate-lamps.tsv"
    conda:
        "../envs/lightdome.yaml"
    params:
        session=SESSION,
        code=code_mark("lights", "session"),
    shell:
        "lightdome locate-lamps {params.session:q} --plate {wildcards.plate} --side {wildcards.side}"
        " --field {wildcards.field} --stack {input.stack:q} --lamps {output:q} 2> {log:q}"
