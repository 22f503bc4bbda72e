rule ingest:
    output:
        photos="{shoot}/work/ingest.json",
        glance="{shoot}/work/glance.npz",
        table=shown("{shoot}/work/frames.csv", "frames", "Numbers", "the photos"),
    log:
        "{shoot}/work/logs/ingest.log",
    benchmark:
        "{shoot}/work/times/ingest.tsv"
    priority: in_turn
    conda:
        ENVIRONMENT
    threads: 2
    resources:
        mem_mb=memory("ingest"),
        runtime=runtime("ingest"),
    params:
        history=lambda w, output: str(Path(output[0]).parents[1]),
        folder=folder,
        names=lambda w: json.dumps(BY_ID[w.shoot].photos),
        identity=identity,
        code=fingerprint("ingest"),
    message:
        "{wildcards.shoot}: taking in the photos"
    shell:
        "KERBWALK_MINUTES={resources.runtime} kerbwalk ingest --folder {params.folder:q} --names {params.names:q}"
        " --history {params.history:q} --threads {threads} --out {output.photos:q} --glance {output.glance:q}"
        " --table {output.table:q} 2> {log:q}"
