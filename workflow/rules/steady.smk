rule steady:
    input:
        track="{shoot}/work/track.json",
        sights="{shoot}/work/sights.npz",
        lens="{shoot}/work/lens.json",
    output:
        warps="{shoot}/work/warps.json",
        hold=shown("{shoot}/work/hold.csv", "hold", "Numbers", "the hold point's track"),
    log:
        "{shoot}/work/logs/steady.log",
    benchmark:
        "{shoot}/work/times/steady.tsv"
    priority: in_turn
    conda:
        ENVIRONMENT
    threads: 2
    resources:
        mem_mb=memory("steady"),
        runtime=runtime("steady"),
    params:
        settings=picked("steady"),
        code=fingerprint("steady"),
    message:
        "{wildcards.shoot}: steadying"
    shell:
        "KERBWALK_MINUTES={resources.runtime} kerbwalk steady --track {input.track:q} --sights {input.sights:q} --lens {input.lens:q} --settings {params.settings:q}"
        " --threads {threads} --out {output.warps:q} --csv {output.hold:q} 2> {log:q}"
