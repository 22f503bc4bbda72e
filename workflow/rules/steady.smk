rule steady:
    input:
        track="{shoot}/work/track.json",
    output:
        "{shoot}/work/warps.json",
    log:
        "{shoot}/work/logs/steady.log",
    benchmark:
        "{shoot}/work/times/steady.tsv"
    conda:
        ENVIRONMENT
    resources:
        mem_mb=500,
        runtime=5,
    params:
        settings=picked("steady"),
        code=fingerprint("steady"),
    message:
        "{wildcards.shoot}: steadying"
    shell:
        "kerbwalk steady --track {input.track:q} --settings {params.settings:q}" " --out {output:q} 2> {log:q}"
