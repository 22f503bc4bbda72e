# Made on request: ./scripts/run ... reference
rule reference:
    input:
        of_every_shoot(lambda shoot: [f"{shoot.id}/reference.tif"]),
    localrule: True


rule reference_photo:
    input:
        look="{shoot}/work/plain.ctf",
        audit="{shoot}/audit.json",
        lens="{shoot}/work/lens.json",
        proxies=every_chunk("{shoot}/work/proxies/{chunk}.npz"),
        frames=every_chunk("{shoot}/work/decoded/{chunk}.npy"),
    output:
        "{shoot}/reference.tif",
    log:
        "{shoot}/work/logs/reference.log",
    benchmark:
        "{shoot}/work/times/reference.tsv"
    priority: in_turn
    conda:
        ENVIRONMENT
    resources:
        mem_mb=memory("reference"),
        runtime=runtime("reference"),
    params:
        code=fingerprint("reference"),
    message:
        "{wildcards.shoot}: writing the reference photo"
    shell:
        "KERBWALK_MINUTES={resources.runtime} kerbwalk reference --look {input.look:q} --audit {input.audit:q}"
        " --lens {input.lens:q} --proxies {input.proxies:q} --frames {input.frames:q} --out {output:q} 2> {log:q}"
