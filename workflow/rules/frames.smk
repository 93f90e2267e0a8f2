"""What did the sensor see, as linear light, all lamps in register?"""


rule stack_frames:
    """Linear light of every lamp, in register, all lamps of a block of pixels together."""
    input:
        sheet_files(),
        photographs,
        quality=f"{FIELD}/frames/quality.json",
    output:
        f"{FIELD}/frames/stack.zarr.zip",
    log:
        f"{FIELD}/logs/stack-frames.log",
    benchmark:
        f"{FIELD}/logs/stack-frames.tsv"
    conda:
        "../envs/lightdome.yaml"
    threads: 4
    resources:
        mem_mb=memory_mb(250, 32),
    params:
        session=SESSION,
        code=code_mark("frames", "session"),
    shell:
        "lightdome stack-frames {params.session:q} --plate {wildcards.plate} --side {wildcards.side}"
        " --field {wildcards.field} --quality {input.quality:q} --stack {output:q} --threads {threads} 2> {log:q}"
