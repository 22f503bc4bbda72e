# Made on request: ./scripts/run ... archive
rule archive:
    input:
        of_every_shoot(lambda shoot: [f"{shoot.id}/archive/bagit.txt"]),
    localrule: True


rule archive_shoot:
    input:
        ingest="{shoot}/work/ingest.json",
        made=[
            *("{shoot}/master.mkv", "{shoot}/master.framemd5", "{shoot}/audit.json", "{shoot}/report.html"),
            *(
                f"{{shoot}}/work/{name}"
                for name in (
                    *("ingest.json", "frames.csv", "lens.json", "hot.json", "look.clf", "look.cc", "track.json"),
                    *("warps.json", "hold.csv", "gains.csv", "light.json", "framing.json", "unprocessed.mp4"),
                )
            ),
        ],
        clips=lambda w: clips(BY_ID[w.shoot]),
    output:
        # The last that is there: the folder gets its name whole.
        "{shoot}/archive/bagit.txt",
    log:
        "{shoot}/work/logs/archive.log",
    benchmark:
        "{shoot}/work/times/archive.tsv"
    priority: in_turn
    conda:
        ENVIRONMENT
    resources:
        mem_mb=memory("archive"),
        runtime=runtime("archive"),
    params:
        name=lambda w: BY_ID[w.shoot].name,
        folder=folder,
        also=named_in_folder,
        bag=lambda w: f"{w.shoot}/archive",
        settings=complete_settings,
        written=written,
        identity=identity,
        named=lambda w: [content(w) for _, content in NAMED],
        code=fingerprint("archive"),
    message:
        "{wildcards.shoot}: packing the archive"
    shell:
        "KERBWALK_MINUTES={resources.runtime} kerbwalk archive --name={params.name:q} --folder {params.folder:q} --also {params.also:q}"
        " --ingest {input.ingest:q} --settings {params.settings:q} --results {wildcards.shoot:q}"
        " --made {input.made:q} {input.clips:q} --out {params.bag:q} 2> {log:q}"
