rule index:
    input:
        cards=[f"{shoot.id}/work/card.json" for shoot in by_turn(GOOD_SHOOTS)],
    output:
        "index.html",
    log:
        ".kerbwalk/index.log",
    benchmark:
        ".kerbwalk/index.tsv"
    # The one rule over all shoots: a job on another machine knows its own alone.
    localrule: True
    conda:
        ENVIRONMENT
    resources:
        mem_mb=300,
        runtime=5,
    params:
        unfinished=lambda wildcards: unfinished(),
        others=lambda wildcards: cards_of_others(),
        templates=templates("page.html", "index.html"),
        code=fingerprint("index"),
    message:
        "Writing the index page"
    shell:
        "KERBWALK_MINUTES={resources.runtime} kerbwalk index --unfinished {params.unfinished:q} --out {output:q}"
        " --cards {input.cards:q} {params.others:q} 2> {log:q}"
