rule framing:
    input:
        warps=timeline,
        proxies=lambda w: every_chunk("{shoot}/work/proxies/{chunk}.npz")(w) if fills(w) else [],
        gains=lambda w: f"{w.shoot}/work/gains.csv" if fills(w) else [],
    output:
        "{shoot}/work/framing.json",
    log:
        "{shoot}/work/logs/framing.log",
    benchmark:
        "{shoot}/work/times/framing.tsv"
    priority: in_turn
    conda:
        ENVIRONMENT
    resources:
        mem_mb=memory("framing"),
        runtime=runtime("framing"),
    params:
        settings=framed,
        code=fingerprint("framing"),
    message:
        "{wildcards.shoot}: finding the crop"
    shell:
        "KERBWALK_MINUTES={resources.runtime} kerbwalk framing --warps {input.warps:q} --settings {params.settings:q}"
        " --proxies {input.proxies:q} --gains {input.gains:q} --out {output:q} 2> {log:q}"


use rule framing as framing_picture with:
    output:
        "{shoot}/work/{picture}/framing.json",
    log:
        "{shoot}/work/logs/framing.{picture}.log",
    benchmark:
        "{shoot}/work/times/framing.{picture}.tsv"
    message:
        "{wildcards.shoot}: finding the crop of {wildcards.picture}"
