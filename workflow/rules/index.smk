import subprocess


def unfinished():
    """The shoots that cannot be worked on, with the reason, as JSON for the index page."""
    return json.dumps({shoot.name: [shoot.problem] for shoot in BAD_SHOOTS})


def index_after_failure(outcomes):
    """Write the index page at the end of a night in which a shoot failed, as the rule then does not run.

    outcomes: see house.closing.outcomes. The page gets a time stamp older than any card, so that the rule
    makes it anew once all shoots are well.
    """
    named = {shoot.name: f"{shoot.id}/work/card.json" for shoot in GOOD_SHOOTS}
    cards, reasons = [], {}
    for outcome in outcomes:
        if outcome["done"] and Path(RESULTS, named[outcome["shoot"]]).exists():
            cards.append(named[outcome["shoot"]])
        else:
            reasons[outcome["shoot"]] = outcome["reasons"] or ["its report is not written yet"]
    command = [sys.executable, str(ROOT / "scripts" / "index.py"), "--unfinished", json.dumps(reasons)]
    done = subprocess.run([*command, "--out", "index.html", "--cards", *cards], cwd=RESULTS, check=False)
    if done.returncode == 0:
        os.utime(RESULTS / "index.html", (0, 0))


rule index:
    input:
        cards=[f"{shoot.id}/work/card.json" for shoot in GOOD_SHOOTS],
        frame=template("page.html"),
        template=template("index.html"),
    output:
        "index.html",
    log:
        ".kerbwalk/index.log",
    benchmark:
        ".kerbwalk/index.tsv"
    resources:
        mem_mb=300,
        runtime=5,
    params:
        unfinished=unfinished(),
        templates=template_identity("page.html", "index.html"),
        code=fingerprint("index"),
    message:
        "Writing the index page"
    shell:
        "kerbwalk index --unfinished {params.unfinished:q} --out {output:q}" " --cards {input.cards:q} 2> {log:q}"
