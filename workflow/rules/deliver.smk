rule deliver:
    input:
        pictures=every_chunk("{shoot}/work/composed/{chunk}.yuv"),
        framing="{shoot}/work/framing.json",
    output:
        shown("{shoot}/{shoot}_hd.mp4", "clip", "Pictures", "the clip"),
    log:
        "{shoot}/work/logs/deliver.log",
    benchmark:
        "{shoot}/work/times/deliver.tsv"
    conda:
        ENVIRONMENT
    threads: 2
    resources:
        mem_mb=memory("deliver"),
        disk_mb=200,
        runtime=runtime("deliver"),
    params:
        settings=picked("fps"),
        code=fingerprint("deliver"),
    message:
        "{wildcards.shoot}: encoding hd"
    shell:
        "kerbwalk deliver --pictures {input.pictures:q} --framing {input.framing:q}"
        " --settings {params.settings:q} --out {output:q} 2> {log:q}"
