rule track:
    input:
        ingest="{shoot}/work/ingest.json",
        audit="{shoot}/audit.json",
        proxies=every_chunk("{shoot}/work/proxies/{chunk}.npz"),
    output:
        "{shoot}/work/track.json",
    log:
        "{shoot}/work/logs/track.log",
    benchmark:
        "{shoot}/work/times/track.tsv"
    conda:
        ENVIRONMENT
    threads: 2
    resources:
        mem_mb=lambda w, input: 800 + int(2 * input.size_mb),
        runtime=30,
    params:
        settings=picked("hold"),
        code=fingerprint("track"),
    message:
        "{wildcards.shoot}: following the hold point"
    shell:
        "kerbwalk track --ingest {input.ingest:q} --audit {input.audit:q}"
        " --proxies {input.proxies:q} --settings {params.settings:q} --threads {threads}"
        " --out {output:q} 2> {log:q}"
