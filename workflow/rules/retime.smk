rule retime:
    input:
        "{shoot}/work/warps.json",
    output:
        "{shoot}/work/{picture}/warps.json",
    log:
        "{shoot}/work/logs/retime.{picture}.log",
    benchmark:
        "{shoot}/work/times/retime.{picture}.tsv"
    priority: in_turn
    conda:
        ENVIRONMENT
    resources:
        mem_mb=memory("retime"),
        runtime=runtime("retime"),
    params:
        settings=lambda w: json.dumps({key: of_recipe(w)[key] for key in ("rate", "pace")}),
        code=fingerprint("retime"),
    message:
        "{wildcards.shoot}: setting the pace of {wildcards.picture}"
    shell:
        "KERBWALK_MINUTES={resources.runtime} kerbwalk retime --warps {input:q} --settings {params.settings:q} --out {output:q} 2> {log:q}"
