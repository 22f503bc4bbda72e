# docs/make.py runs it to learn which rules read which settings and run which code: every setting is changed in turn, and
# the rules are asked for their params.
include: "../Snakefile"


import copy
import inspect

from house.fingerprint import modules_of
from snakemake.iocontainers import Wildcards

STAGES = sorted(path.stem for path in (ROOT / "scripts").glob("[a-z]*.py"))
(SHOOT,) = SHOOTS
# Where any other value would not do.
OTHER = {
    "aspect": "1:1",
    "fps": 25,
    "deliverables": ["hd", "uhd", "loop", "stills", "square"],
    "recipes": NIGHT["recipes"] | {"uhd": NIGHT["recipes"]["uhd"] | {"vmaf": 90}},
    "look.display": {"config": "other"},
    "steady.pace": "even",
}


def changed(value):
    """Some other value of the kind."""
    return not value if isinstance(value, bool) else value + 1 if isinstance(value, int | float) else "other"


def of_each_rule():
    """What stands in the rules' params that wildcards alone decide, {(rule, name): value}."""
    given = {"shoot": SHOOT.id, "chunk": "000", "picture": "3840x2160", "deliverable": "uhd.mp4", "look": "look"}
    found = {}
    for one in workflow.rules:
        if one.name == "refuse":  # of shoots that cannot be worked on
            continue
        for name, value in one.params._allitems():
            if callable(value):
                if len(inspect.signature(value).parameters) > 1:
                    continue
                try:
                    value = value(Wildcards(fromdict=given))
                except StopIteration:  # the picture has another size now
                    value = None
            found[one.name, name] = value
    return found


def with_settings(table):
    SHOOT.settings = table
    SHOOT.recipes = recipes.resolved(table, "")
    return of_each_rule()


BEFORE = copy.deepcopy(SHOOT.settings)
KNOWN = with_settings(BEFORE)
READ = {}
for path, value in settings.flattened({key: BEFORE[key] for key in BEFORE if key not in settings.of_the_night()}):
    key = ".".join(path)
    if key.startswith("recipes."):
        key, path = "recipes", ("recipes",)
    other = OTHER.get(key, changed(value))
    for part in reversed(path):
        other = {part: other}
    table = settings.merged(BEFORE, other) if key != "recipes" else BEFORE | other
    READ[key] = sorted({one for (one, name), now in with_settings(table).items() if now != KNOWN[one, name]})
with_settings(BEFORE)
RUN = {}
for stage in STAGES:
    codes = [
        one.name for one in workflow.rules if fingerprint(stage) in str(dict(one.params._allitems()).get("code"))
    ]
    for module in modules_of(stage):
        RUN.setdefault(module, set()).update(codes)
Path(os.environ["KERBWALK_RERUNS"]).write_text(
    json.dumps({"settings": READ, "code": {module: sorted(names) for module, names in sorted(RUN.items())}})
)
