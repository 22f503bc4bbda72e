# Made on request: ./scripts/run ... draft
#
# One job a shoot: to start each stage for itself would take longer than the draft. All lies in a folder of its own, which
# no rule reads from.
DRAFTED = ("look", "lens", "follow", "track", "steady", "light", "framing", "compose", "contact", "report")


rule draft:
    input:
        of_every_shoot(lambda shoot: [f"{shoot.id}/draft/report.html"]),
    localrule: True


rule draft_shoot:
    output:
        page="{shoot}/draft/report.html",
        clip="{shoot}/draft/draft.mp4",
    log:
        "{shoot}/work/logs/draft.log",
    benchmark:
        "{shoot}/draft/work/draft.tsv"
    priority: in_turn
    conda:
        ENVIRONMENT
    threads: 2
    resources:
        mem_mb=memory("draft"),
        disk_mb=lambda w: 200 + 5 * len(BY_ID[w.shoot].photos),
        runtime=runtime("draft"),
    params:
        name=lambda w: BY_ID[w.shoot].name,
        names=lambda w: json.dumps(BY_ID[w.shoot].photos),
        photos=photos,
        settings=picked(*REPORTED),
        origins=origins,
        identity=identity,
        cdl=DRAFT_CDL[0],
        cdl_content=DRAFT_CDL[1],
        lut=DRAFT_LUT[0],
        lut_content=DRAFT_LUT[1],
        display=DISPLAY[0],
        display_content=DISPLAY[1],
        shelf=[str(RESULTS / named_files.own_path(path, RESULTS)) for path in LOOKS],
        templates=REPORT_TEMPLATES,
        code=[fingerprint(stage) for stage in ("draft", *DRAFTED)],
    message:
        "{wildcards.shoot}: making a draft"
    shell:
        "KERBWALK_MINUTES={resources.runtime} kerbwalk draft --name={params.name:q}"
        " --photos {params.photos:q} --names {params.names:q} --settings {params.settings:q}"
        " --origins {params.origins:q} --cdl {params.cdl:q} --lut {params.lut:q} --display {params.display:q}"
        " --shelf {params.shelf:q} --threads {threads} --page {output.page:q} --clip {output.clip:q} 2> {log:q}"
