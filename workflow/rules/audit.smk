rule audit:
    input:
        ingest="{shoot}/work/ingest.json",
    output:
        "{shoot}/audit.json",
    log:
        "{shoot}/work/logs/audit.log",
    benchmark:
        "{shoot}/work/times/audit.tsv"
    conda:
        ENVIRONMENT
    resources:
        mem_mb=300,
        runtime=5,
    params:
        settings=picked("reference", "first", "last", "leave_out"),
        code=fingerprint("audit"),
    message:
        "{wildcards.shoot}: checking the photos"
    shell:
        "kerbwalk audit --ingest {input.ingest:q} --settings {params.settings:q}" " --out {output:q} 2> {log:q}"
