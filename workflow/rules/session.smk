"""What was captured, and is it whole and good enough?"""


rule check_sheet:
    """Refuse rows of frames.csv that name no place to put results; nothing waits for this."""
    input:
        sheet_files(),
    output:
        f"{NIGHT}/sheet.json",
    log:
        f"{NIGHT}/logs/check-sheet.log",
    conda:
        "../envs/lightdome.yaml"
    params:
        session=SESSION,
        code=code_mark("session"),
    shell:
        "lightdome check-sheet {params.session:q} --output {output:q} 2> {log:q}"


rule check_session:
    """Open every photograph of a field and judge the set."""
    input:
        sheet_files(),
        photographs,
    output:
        quality=f"{FIELD}/frames/quality.json",
        picture=report(
            f"{FIELD}/frames/lamp_layout.png",
            caption="../report/lamp_layout.rst",
            category="capture",
            labels={"plate": "{plate}", "side": "{side}", "field": "{field}", "map": "lamp layout"},
        ),
        page=report(
            f"{FIELD}/frames/check.html",
            caption="../report/check.rst",
            category="capture",
            labels={"plate": "{plate}", "side": "{side}", "field": "{field}", "map": "verdict on the photographs"},
        ),
    log:
        f"{FIELD}/logs/check-session.log",
    benchmark:
        f"{FIELD}/logs/check-session.tsv"
    conda:
        "../envs/lightdome.yaml"
    threads: 2
    resources:
        mem_mb=memory_mb(400, 25),
    params:
        session=SESSION,
        code=code_mark("session"),
    shell:
        "lightdome check-session {params.session:q} --plate {wildcards.plate} --side {wildcards.side}"
        " --field {wildcards.field} --quality {output.quality:q} --picture {output.picture:q}"
        " --page {output.page:q}"
        " --threads {threads} 2> {log:q}"
