# Made on request: ./scripts/run ... tidy
rule tidy:
    input:
        of_every_shoot(lambda shoot: [f"{shoot.id}/work/tidied.json"]),
    localrule: True


rule tidy_shoot:
    output:
        "{shoot}/work/tidied.json",
    log:
        "{shoot}/work/logs/tidy.log",
    localrule: True
    conda:
        ENVIRONMENT
    resources:
        runtime=10,
    params:
        clips=lambda w: clips(BY_ID[w.shoot]),
        # Never the same: whoever asks wants it done now.
        asked=STARTED,
    message:
        "{wildcards.shoot}: freeing the working frames"
    shell:
        "KERBWALK_MINUTES={resources.runtime} kerbwalk tidy --shoot {wildcards.shoot:q} --clips {params.clips:q} --out {output:q} 2> {log:q}"
