rule framing:
    input:
        warps="{shoot}/work/warps.json",
    output:
        "{shoot}/work/framing.json",
    params:
        settings=picked("aspect", "deliverables"),
        code=fingerprint("framing"),
    log:
        "{shoot}/work/logs/framing.log",
    benchmark:
        "{shoot}/work/times/framing.tsv"
    resources:
        mem_mb=300,
        runtime=5,
    message:
        "{wildcards.shoot}: finding the crop"
    shell:
        "{PYTHON} {SCRIPTS}/framing.py --warps {input.warps:q} --settings {params.settings:q}"
        " --out {output:q} 2> {log:q}"
