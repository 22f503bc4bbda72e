# The target: every photo is read and compared with its checksum, whenever it is asked for.
rule verify:
    input:
        of_every_shoot(lambda shoot: [*copied(shoot), f"{shoot.id}/work/verified.json"]),
    localrule: True


rule verify_shoot:
    input:
        ingest="{shoot}/work/ingest.json",
        copies=lambda w: copied(BY_ID[w.shoot]),
    output:
        "{shoot}/work/verified.json",
    log:
        "{shoot}/work/logs/verify.log",
    benchmark:
        "{shoot}/work/times/verify.tsv"
    priority: in_turn
    conda:
        ENVIRONMENT
    threads: 2
    resources:
        mem_mb=memory("verify"),
        runtime=runtime("verify"),
    params:
        history=lambda w, output: str(Path(output[0]).parents[1]),
        folder=folder,
        name=lambda w: BY_ID[w.shoot].name,
        copy_to=lambda w: BY_ID[w.shoot].settings["ingest"]["copy_to"] or "",
        settings=picked("audit"),
        # Never the same: whoever asks wants it done now.
        asked=STARTED,
    message:
        "{wildcards.shoot}: reading all photos again"
    shell:
        "KERBWALK_MINUTES={resources.runtime} kerbwalk verify --folder {params.folder:q} --name={params.name:q} --history {params.history:q}"
        " --copy-to={params.copy_to:q} --settings {params.settings:q} --threads {threads} --out {output:q} 2> {log:q}"
