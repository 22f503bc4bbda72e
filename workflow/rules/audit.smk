# The target: every shoot's photos are checked, and nothing else is done.
rule audit:
    input:
        of_every_shoot(lambda shoot: [f"{shoot.id}/audit.json"]),
    log:
        ".kerbwalk/audit.log",
    localrule: True
    conda:
        ENVIRONMENT
    shell:
        # Nothing, but always, so that what was found is said again.
        ": 2> {log:q}"


rule audit_shoot:
    input:
        ingest="{shoot}/work/ingest.json",
        glance="{shoot}/work/glance.npz",
    output:
        "{shoot}/audit.json",
    log:
        "{shoot}/work/logs/audit.log",
    benchmark:
        "{shoot}/work/times/audit.tsv"
    priority: in_turn
    conda:
        ENVIRONMENT
    resources:
        mem_mb=memory("audit"),
        runtime=runtime("audit"),
    params:
        settings=picked("reference", "first", "last", "leave_out", "split", "audit"),
        lone=lambda w: json.dumps(BY_ID[w.shoot].lone_jpegs),
        code=fingerprint("audit"),
    message:
        "{wildcards.shoot}: checking the photos"
    shell:
        "KERBWALK_MINUTES={resources.runtime} kerbwalk audit --ingest {input.ingest:q} --glance {input.glance:q}"
        " --lone-jpegs {params.lone:q} --settings {params.settings:q} --out {output:q} 2> {log:q}"
