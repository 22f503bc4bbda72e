rule track:
    input:
        ingest="{shoot}/work/ingest.json",
        audit="{shoot}/audit.json",
        proxies=every_chunk("{shoot}/work/proxies/{chunk}.npz"),
    output:
        track="{shoot}/work/track.json",
        sights="{shoot}/work/sights.npz",
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
        "{wildcards.shoot}: following the hold point"
    shell:
        "KERBWALK_MINUTES={resources.runtime} kerbwalk track --ingest {input.ingest:q} --audit {input.audit:q}"
        " --proxies {input.proxies:q} --settings {params.settings:q} --threads {threads}"
        " --out {output.track:q} --sights {output.sights:q} 2> {log:q}"
