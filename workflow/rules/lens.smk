rule lens:
    input:
        ingest="{shoot}/work/ingest.json",
    output:
        "{shoot}/work/lens.json",
    log:
        "{shoot}/work/logs/lens.log",
    benchmark:
        "{shoot}/work/times/lens.tsv"
    priority: in_turn
    conda:
        ENVIRONMENT
    resources:
        mem_mb=memory("lens"),
        runtime=runtime("lens"),
    params:
        settings=picked("lens"),
        code=fingerprint("lens"),
    message:
        "{wildcards.shoot}: looking up the lens"
    shell:
        "KERBWALK_MINUTES={resources.runtime} kerbwalk lens --ingest {input.ingest:q} --settings {params.settings:q} --out {output:q} 2> {log:q}"
