rule ingest:
    input:
        photos=all_photos,
    output:
        "{shoot}/work/ingest.json",
    log:
        "{shoot}/work/logs/ingest.log",
    benchmark:
        "{shoot}/work/times/ingest.tsv"
    conda:
        ENVIRONMENT
    threads: 2
    resources:
        mem_mb=600,
        runtime=lambda w, input: 5 + len(input) // 60,
    params:
        folder=lambda w: str(BY_ID[w.shoot].folder),
        names=lambda w: json.dumps(BY_ID[w.shoot].photos),
        settings=picked("reference"),
        identity=identity,
        code=fingerprint("ingest"),
    message:
        "{wildcards.shoot}: taking in the photos"
    shell:
        "kerbwalk ingest --folder {params.folder:q} --names {params.names:q} --settings {params.settings:q}"
        " --threads {threads} --out {output:q} 2> {log:q}"
