rule track:
    input:
        ingest="{shoot}/work/ingest.json",
        audit="{shoot}/audit.json",
        proxies=every_chunk("{shoot}/work/proxies/{chunk}.npz"),
        sights="{shoot}/work/sights.npz",
    output:
        "{shoot}/work/track.json",
    log:
        "{shoot}/work/logs/track.log",
    benchmark:
        "{shoot}/work/times/track.tsv"
    priority: in_turn
    conda:
        ENVIRONMENT
    threads: 2
    resources:
        mem_mb=memory("track"),
        runtime=runtime("track"),
    params:
        settings=picked("hold", "hold_in", "level"),
        code=fingerprint("track"),
    message:
        "{wildcards.shoot}: finding the hold point"
    shell:
        "KERBWALK_MINUTES={resources.runtime} kerbwalk track --ingest {input.ingest:q} --audit {input.audit:q}"
        " --proxies {input.proxies:q} --sights {input.sights:q} --settings {params.settings:q} --threads {threads}"
        " --out {output:q} 2> {log:q}"
