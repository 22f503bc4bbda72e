# Kerbwalk: every shoot from raw photos to a steady, evenly lit, graded clip.
#
#   ingest - audit, lens, hot - decode -+- look ----------------------------+
#                                       +- follow - track - steady -+- light +- compose -+- deliver - report - index
#                                                                   +- framing           +- master
#
# One rule file, one script, and one module of the maths a stage, all of the same name.
import sys

sys.path.insert(0, f"{workflow.current_basedir}/workflow")


configfile: f"{workflow.current_basedir}/config/config.yaml"


include: "workflow/rules/night.smk"
include: "workflow/rules/common.smk"
include: "workflow/rules/resources.smk"
include: "workflow/rules/closing.smk"
include: "workflow/rules/refuse.smk"
include: "workflow/rules/ingest.smk"
include: "workflow/rules/audit.smk"
include: "workflow/rules/backup.smk"
include: "workflow/rules/verify.smk"
include: "workflow/rules/hot.smk"
include: "workflow/rules/decode.smk"
include: "workflow/rules/look.smk"
include: "workflow/rules/match.smk"
include: "workflow/rules/lens.smk"
include: "workflow/rules/follow.smk"
include: "workflow/rules/track.smk"
include: "workflow/rules/steady.smk"
include: "workflow/rules/light.smk"
include: "workflow/rules/retime.smk"
include: "workflow/rules/framing.smk"
include: "workflow/rules/compose.smk"
include: "workflow/rules/master.smk"
include: "workflow/rules/deliver.smk"
include: "workflow/rules/report.smk"
include: "workflow/rules/index.smk"
include: "workflow/rules/reference.smk"
include: "workflow/rules/contact.smk"
include: "workflow/rules/draft.smk"
include: "workflow/rules/archive.smk"
include: "workflow/rules/tidy.smk"


report: "workflow/report/captions/night.rst"


rule all:
    default_target: True
    input:
        "index.html",
        # The page and the master by name: an index page left from a night that failed would not ask for them.
        of_every_shoot(lambda shoot: [*copied(shoot), *clips(shoot), *pages_and_master(shoot)]),


if not AS_MODULE:
    let_slurm_know_turns()


onsuccess:
    close_night(ok=True)


onerror:
    close_night(ok=False)
