# look.ctf is the shoot's look, plain.ctf the same without the graded still, looks/<name>.ctf the same under a look
# of config/looks, hdr.ctf and linear.ctf the same for displays of high dynamic range and for scene-linear stills; each
# has a .clf for other programs beside it.
rule look:
    input:
        ingest="{shoot}/work/ingest.json",
        audit="{shoot}/audit.json",
        proxies=every_chunk("{shoot}/work/proxies/{chunk}.npz"),
    output:
        ctf="{shoot}/work/{look}.ctf",
        clf="{shoot}/work/{look}.clf",
        cc="{shoot}/work/{look}.cc",
    log:
        "{shoot}/work/logs/{look}.log",
    benchmark:
        "{shoot}/work/times/{look}.tsv"
    wildcard_constraints:
        look="look|plain|hdr|linear|looks/[^/]+",
    priority: in_turn
    conda:
        ENVIRONMENT
    resources:
        mem_mb=memory("look"),
        runtime=runtime("look"),
    params:
        settings=picked("look"),
        cdl=CDL[0],
        cdl_content=CDL[1],
        lut=LUT[0],
        lut_content=LUT[1],
        display=DISPLAY[0],
        display_content=DISPLAY[1],
        gives=lambda w: {"hdr": "light", "linear": "scene"}.get(w.look, "signal"),
        code=fingerprint("look"),
    message:
        "{wildcards.shoot}: making the look"
    shell:
        "KERBWALK_MINUTES={resources.runtime} kerbwalk look --ingest {input.ingest:q} --audit {input.audit:q} --settings {params.settings:q}"
        " --cdl {params.cdl:q} --lut {params.lut:q} --display {params.display:q} --proxies {input.proxies:q}"
        " --gives {params.gives} --out {output.ctf:q} --clf {output.clf:q} --cc {output.cc:q} 2> {log:q}"
