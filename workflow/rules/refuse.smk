rule refuse:
    output:
        ".kerbwalk/refused/{shoot}",
    log:
        ".kerbwalk/refused/{shoot}.log",
    # What is wrong is not right at once, and each try would be told.
    retries: 0
    localrule: True
    conda:
        ENVIRONMENT
    params:
        sentence=lambda w: {shoot.id: shoot.problem for shoot in BAD_SHOOTS}[w.shoot],
    message:
        "{wildcards.shoot}: beginning"
    shell:
        "printf '%s\\n' {params.sentence:q} > {log:q}; exit 1"
