rule light:
    input:
        ingest="{shoot}/work/ingest.json",
        proxies=every_chunk("{shoot}/work/proxies/{chunk}.npz"),
        sights="{shoot}/work/sights.npz",
        warps="{shoot}/work/warps.json",
    output:
        gains=shown("{shoot}/work/gains.csv", "gains", "Numbers", "the gains"),
        found="{shoot}/work/light.json",
    log:
        "{shoot}/work/logs/light.log",
    benchmark:
        "{shoot}/work/times/light.tsv"
    priority: in_turn
    conda:
        ENVIRONMENT
    threads: 2
    resources:
        mem_mb=memory("light"),
        runtime=runtime("light"),
    params:
        settings=picked("light"),
        code=fingerprint("light"),
    message:
        "{wildcards.shoot}: measuring the light"
    shell:
        "KERBWALK_MINUTES={resources.runtime} kerbwalk light --ingest {input.ingest:q} --proxies {input.proxies:q} --sights {input.sights:q}"
        " --warps {input.warps:q} --settings {params.settings:q} --threads {threads} --out {output.gains:q} --found {output.found:q} 2> {log:q}"
