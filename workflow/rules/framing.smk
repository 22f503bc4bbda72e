rule framing:
    input:
        warps="{shoot}/work/warps.json",
    output:
        "{shoot}/work/framing.json",
    log:
        "{shoot}/work/logs/framing.log",
    benchmark:
        "{shoot}/work/times/framing.tsv"
    conda:
        ENVIRONMENT
    resources:
        mem_mb=memory("framing"),
        runtime=runtime("framing"),
    params:
        settings=picked("aspect", "deliverables", "framing"),
        code=fingerprint("framing"),
    message:
        "{wildcards.shoot}: finding the crop"
    shell:
        "kerbwalk framing --warps {input.warps:q} --settings {params.settings:q}" " --out {output:q} 2> {log:q}"
