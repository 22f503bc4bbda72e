rule follow:
    input:
        ingest="{shoot}/work/ingest.json",
        audit="{shoot}/audit.json",
        proxies=every_chunk("{shoot}/work/proxies/{chunk}.npz"),
    output:
        sights="{shoot}/work/sights.npz",
    log:
        "{shoot}/work/logs/follow.log",
    benchmark:
        "{shoot}/work/times/follow.tsv"
    priority: in_turn
    conda:
        ENVIRONMENT
    threads: 2
    resources:
        mem_mb=memory("follow"),
        runtime=runtime("follow"),
    params:
        code=fingerprint("follow"),
    message:
        "{wildcards.shoot}: following corners"
    shell:
        "KERBWALK_MINUTES={resources.runtime} kerbwalk follow --ingest {input.ingest:q} --audit {input.audit:q}"
        " --proxies {input.proxies:q} --threads {threads} --out {output.sights:q} 2> {log:q}"
