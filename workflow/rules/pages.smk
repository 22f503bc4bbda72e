"""What the rules of the two pages, report and index, share."""

import subprocess

from files.stage import read_json

# Every setting that a shoot may have of its own and that its files depend on: the page shows them all.
REPORTED = sorted(set(NIGHT) - settings.of_the_night() - {"priority"})


def templates(*names):
    """The content of a page's templates, style and script as one short text, for params."""
    return ids.digest(b"".join((ROOT / "workflow" / "report" / name).read_bytes() for name in names))


def origins(wildcards):
    """Where each setting of the shoot that is not the default comes from, as JSON."""
    shoot = BY_ID[wildcards.shoot]
    found = settings.origins({key: shoot.settings[key] for key in REPORTED}, LAYERS, shoot.own)
    return json.dumps(found, sort_keys=True, ensure_ascii=False)


def times(wildcards):
    """The stages' benchmark files, in the order of the line."""
    files = []
    for stage in (
        "ingest",
        "audit",
        "hot",
        "decode",
        "look",
        "follow",
        "track",
        "steady",
        "light",
        "framing",
        "compose",
        "master",
    ):
        parts = [f".{chunk}" for chunk in CHUNKS[wildcards.shoot]] if stage in ("decode", "compose") else [""]
        files += [f"{wildcards.shoot}/work/times/{stage}{part}.tsv" for part in parts]
    made = deliverables(BY_ID[wildcards.shoot])
    return [*files, *(f"{wildcards.shoot}/work/times/deliver.{deliverable}.tsv" for deliverable in made)]


def unfinished():
    """The shoots that cannot be worked on, with the reason, as JSON for the index page."""
    return json.dumps({shoot.name: [shoot.problem] for shoot in BAD_SHOOTS})


def by_turn(some):
    """Shoots in the order in which they are worked on."""
    return sorted(some, key=lambda shoot: -TURNS.get(shoot.id, 0))


def whole_card(path):
    """Whether a card is there, and all that it leads to."""
    if not Path(RESULTS, path).exists():
        return False
    card = read_json(RESULTS / path)
    return all(Path(RESULTS, part).exists() for part in (card["page"], *(clip["path"] for clip in card["clips"])))


def cards_of_others():
    """The cards of shoots that this run is not asked for, and that an earlier one has finished."""
    cards = (RESULTS / shoot.id / "work" / "card.json" for shoot in OTHERS)
    return [str(card) for card in cards if whole_card(card)]


def index_after_failure(outcomes):
    """Write the index page at the end of a night in which a shoot failed, as the rule then does not run.

    outcomes: see house.closing.outcomes. The page gets a time stamp older than any card, so that the rule
    makes it anew once all shoots are well.
    """
    named = {shoot.name: f"{shoot.id}/work/card.json" for shoot in by_turn(SHOOTS)}
    cards = [*(card for card in named.values() if whole_card(card)), *cards_of_others()]
    reasons = {}
    for outcome in outcomes:
        if not outcome["done"] or named[outcome["shoot"]] not in cards:
            reasons[outcome["shoot"]] = outcome["reasons"] or ["its report is not written yet"]
    command = [sys.executable, str(ROOT / "scripts" / "index.py"), "--unfinished", json.dumps(reasons)]
    done = subprocess.run([*command, "--out", "index.html", "--cards", *cards], cwd=RESULTS, check=False)
    if done.returncode == 0:
        # Not 0, which Snakemake takes for none.
        os.utime(RESULTS / "index.html", (1, 1))


def measured(wildcards):
    """What the report looks at: hd or its like, or the master where there is none."""
    made = deliverables(BY_ID[wildcards.shoot])
    like_hd = [f"{wildcards.shoot}_{deliverable}" for deliverable, recipe in made.items() if recipe["ready"]]
    return f"{wildcards.shoot}/{[*like_hd, 'master.mkv'][0]}"
