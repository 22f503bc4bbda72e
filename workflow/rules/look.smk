rule look:
    input:
        ingest="{shoot}/work/ingest.json",
        audit="{shoot}/audit.json",
        proxies=every_chunk("{shoot}/work/proxies/{chunk}.npz"),
        cdl=named("look.cdl"),
    output:
        "{shoot}/work/look.clf",
    log:
        "{shoot}/work/logs/look.log",
    benchmark:
        "{shoot}/work/times/look.tsv"
    conda:
        ENVIRONMENT
    resources:
        mem_mb=500,
        runtime=5,
    params:
        settings=picked("look"),
        cdl=named_identity("look.cdl"),
        code=fingerprint("look"),
    message:
        "{wildcards.shoot}: making the look"
    shell:
        "kerbwalk look --ingest {input.ingest:q} --audit {input.audit:q}"
        " --settings {params.settings:q} --out {output:q} --cdl {input.cdl:q} --proxies {input.proxies:q} 2> {log:q}"
