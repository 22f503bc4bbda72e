# Made on request: ./scripts/run ... contact
rule contact:
    input:
        of_every_shoot(lambda shoot: [f"{shoot.id}/contact.html"]),
    localrule: True


rule contact_sheet:
    input:
        look="{shoot}/work/plain.ctf",
        looks=[f"{{shoot}}/work/looks/{path.name}.ctf" for path in LOOKS],
        audit="{shoot}/audit.json",
        lens="{shoot}/work/lens.json",
        proxies=every_chunk("{shoot}/work/proxies/{chunk}.npz"),
        frames=every_chunk("{shoot}/work/decoded/{chunk}.npy"),
    output:
        sheet=shown("{shoot}/contact.png", "contact", "Pictures", "looks to choose from"),
        page="{shoot}/contact.html",
    log:
        "{shoot}/work/logs/contact.log",
    benchmark:
        "{shoot}/work/times/contact.tsv"
    priority: in_turn
    conda:
        ENVIRONMENT
    resources:
        mem_mb=memory("contact"),
        runtime=runtime("contact"),
    params:
        name=lambda w: BY_ID[w.shoot].name,
        settings=picked("look"),
        templates=templates("page.html", "contact.html", "page.js"),
        code=fingerprint("contact"),
    message:
        "{wildcards.shoot}: making the sheet of looks"
    shell:
        "KERBWALK_MINUTES={resources.runtime} kerbwalk contact --name={params.name:q} --looks {input.look:q} {input.looks:q}"
        " --settings {params.settings:q} --audit {input.audit:q}"
        " --lens {input.lens:q} --proxies {input.proxies:q} --frames {input.frames:q} --out {output.sheet:q} --page {output.page:q} 2> {log:q}"
