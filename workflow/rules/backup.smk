rule backup:
    input:
        ingest="{shoot}/work/ingest.json",
    output:
        "{shoot}/work/backup.json",
    log:
        "{shoot}/work/logs/backup.log",
    benchmark:
        "{shoot}/work/times/backup.tsv"
    priority: in_turn
    conda:
        ENVIRONMENT
    resources:
        mem_mb=memory("backup"),
        runtime=runtime("backup"),
    params:
        folder=folder,
        name=lambda w: BY_ID[w.shoot].name,
        copy_to=lambda w: BY_ID[w.shoot].settings["ingest"]["copy_to"],
        identity=identity,
        code=fingerprint("backup"),
    message:
        "{wildcards.shoot}: copying the photos to a second place"
    shell:
        "KERBWALK_MINUTES={resources.runtime} kerbwalk backup --folder {params.folder:q} --name={params.name:q} --ingest {input.ingest:q}"
        " --copy-to {params.copy_to:q} --out {output:q} 2> {log:q}"
