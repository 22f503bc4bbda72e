rule hot:
    input:
        ingest="{shoot}/work/ingest.json",
    output:
        "{shoot}/work/hot.json",
    log:
        "{shoot}/work/logs/hot.log",
    benchmark:
        "{shoot}/work/times/hot.tsv"
    priority: in_turn
    conda:
        ENVIRONMENT
    resources:
        mem_mb=memory("hot"),
        runtime=runtime("hot"),
    params:
        names=lambda w: json.dumps(BY_ID[w.shoot].photos),
        photos=photos,
        identity=identity,
        dark=DARK[0],
        dark_content=DARK[1],
        code=fingerprint("hot"),
    message:
        "{wildcards.shoot}: finding hot pixels"
    shell:
        "KERBWALK_MINUTES={resources.runtime} kerbwalk hot --ingest {input.ingest:q} --names {params.names:q} --photos {params.photos:q}"
        " --dark {params.dark:q} --out {output:q} 2> {log:q}"
