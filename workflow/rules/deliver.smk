rule deliver:
    input:
        ready=ready,
        master=own_master,
        framing=lambda w: of_picture(w, "framing.json"),
        warps=timeline,
        ingest="{shoot}/work/ingest.json",
        audit="{shoot}/audit.json",
    output:
        file=shown("{shoot}/{shoot}_{deliverable}", "clip", "Pictures", "{deliverable}"),
        quality="{shoot}/work/quality/{deliverable}.json",
    log:
        "{shoot}/work/logs/deliver.{deliverable}.log",
    benchmark:
        "{shoot}/work/times/deliver.{deliverable}.tsv"
    wildcard_constraints:
        deliverable=r"[A-Za-z0-9-]+\.[a-z0-9]+",
    priority: in_turn
    conda:
        ENVIRONMENT
    threads: 2
    resources:
        mem_mb=memory("deliver"),
        disk_mb=200,
        runtime=runtime("deliver"),
    params:
        recipe=lambda w: json.dumps(recipe(w), sort_keys=True),
        about=about,
        code=fingerprint("deliver"),
    message:
        "{wildcards.shoot}: encoding {wildcards.deliverable}"
    shell:
        "KERBWALK_MINUTES={resources.runtime} kerbwalk deliver --ready {input.ready:q} --master {input.master:q} --framing {input.framing:q}"
        " --warps {input.warps:q} --ingest {input.ingest:q} --audit {input.audit:q} --recipe {params.recipe:q}"
        " --about {params.about:q} --out {output.file:q} --quality {output.quality:q} 2> {log:q}"


# A sequence of stills is a folder.
use rule deliver as deliver_stills with:
    output:
        file=directory("{shoot}/{shoot}_{deliverable}"),
        quality="{shoot}/work/quality/{deliverable}.json",
    wildcard_constraints:
        deliverable="[A-Za-z0-9-]+",
