include: "pages.smk"


REPORT_TEMPLATES = templates("page.html", "shoot.html", "charts.html", "shoot.css", "page.js")


rule report:
    input:
        ingest="{shoot}/work/ingest.json",
        audit="{shoot}/audit.json",
        track="{shoot}/work/track.json",
        proxies=every_chunk("{shoot}/work/proxies/{chunk}.npz"),
        look="{shoot}/work/look.ctf",
        matched=matched,
        warps="{shoot}/work/warps.json",
        gains="{shoot}/work/gains.csv",
        found="{shoot}/work/light.json",
        framing="{shoot}/work/framing.json",
        clips=lambda w: clips(BY_ID[w.shoot]),
        quality=lambda w: [f"{w.shoot}/work/quality/{made}.json" for made in deliverables(BY_ID[w.shoot])],
        measured=measured,
        times=times,
    output:
        page=shown("{shoot}/report.html", "page", "Pages", "the report"),
        unprocessed=shown("{shoot}/work/unprocessed.mp4", "unprocessed", "Pictures", "the photos as taken"),
        card="{shoot}/work/card.json",
    log:
        "{shoot}/work/logs/report.log",
    benchmark:
        "{shoot}/work/times/report.tsv"
    priority: in_turn
    conda:
        ENVIRONMENT
    threads: 2
    resources:
        mem_mb=memory("report"),
        runtime=runtime("report"),
    params:
        name=lambda w: BY_ID[w.shoot].name,
        settings=picked(*REPORTED),
        origins=origins,
        templates=REPORT_TEMPLATES,
        code=fingerprint("report"),
    message:
        "{wildcards.shoot}: writing the report"
    shell:
        "KERBWALK_MINUTES={resources.runtime} kerbwalk report --name={params.name:q} --ingest {input.ingest:q} --audit {input.audit:q}"
        " --track {input.track:q} --proxies {input.proxies:q} --look {input.look:q} --warps {input.warps:q}"
        " --gains {input.gains:q} --found {input.found:q} --framing {input.framing:q} --clips {input.clips:q}"
        " --quality {input.quality:q} --measured {input.measured:q}"
        " --times {input.times:q} --settings {params.settings:q} --origins {params.origins:q} --out {output.page:q}"
        " --unprocessed {output.unprocessed:q} --card {output.card:q} 2> {log:q}"
