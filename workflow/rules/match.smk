import re


ruleorder: match > look


rule match:
    input:
        look="{shoot}/work/plain.ctf",
        audit="{shoot}/audit.json",
        lens="{shoot}/work/lens.json",
        proxies=every_chunk("{shoot}/work/proxies/{chunk}.npz"),
        frames=every_chunk("{shoot}/work/decoded/{chunk}.npy"),
    output:
        ctf="{shoot}/work/look.ctf",
        clf="{shoot}/work/look.clf",
        cc="{shoot}/work/look.cc",
        report="{shoot}/work/match.json",
        picture="{shoot}/work/match.png",
    log:
        "{shoot}/work/logs/match.log",
    benchmark:
        "{shoot}/work/times/look.tsv"
    wildcard_constraints:
        shoot="|".join(re.escape(shoot.id) for shoot in GOOD_SHOOTS if shoot.settings["look"]["match"]) or "[^/]{0}",
    priority: in_turn
    conda:
        ENVIRONMENT
    resources:
        mem_mb=memory("match"),
        runtime=runtime("match"),
    params:
        still=STILL[0],
        still_content=STILL[1],
        code=fingerprint("match"),
    message:
        "{wildcards.shoot}: taking the look from the graded still"
    shell:
        "KERBWALK_MINUTES={resources.runtime} kerbwalk match --look {input.look:q} --still {params.still:q} --audit {input.audit:q} --lens {input.lens:q}"
        " --proxies {input.proxies:q} --frames {input.frames:q} --out {output.ctf:q} --clf {output.clf:q} --cc {output.cc:q}"
        " --report {output.report:q} --picture {output.picture:q} 2> {log:q}"
