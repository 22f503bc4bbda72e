"""What is shown of Snakemake's words, and the sentence drawn from them."""

from _relay import Relay

TRACEBACK = """\
before
  Traceback (most recent call last):
    File "x.py", line 1, in <module>
      work()
      ~~~~^^
  ValueError: no such thing
between

During handling of the above exception, another exception occurred:

Traceback (most recent call last):
  File "y.py", line 2, in main
OSError: [Errno 28] No space left on device
after
"""


def fed(text):
    relay = Relay()
    return relay, "".join(relay.feed(line + "\n") for line in text.splitlines()).splitlines()


def test_tracebacks_are_held_back_and_the_rest_is_shown():
    relay, shown = fed(TRACEBACK)
    assert shown == ["before", "between", "", "", "after"]
    assert relay.error == "OSError: [Errno 28] No space left on device"
    assert "  ValueError: no such thing" in relay.held


def test_an_error_of_snakemake_is_named_by_the_line_after_its_place():
    relay, shown = fed('WorkflowError in file "/a b/Snakefile", line 4:\nwrong\n  File "/a", line 4, in <module>\nend')
    assert relay.error == "wrong"
    assert shown == ['WorkflowError in file "/a b/Snakefile", line 4:', "wrong", "end"]


def test_a_sentence_for_which_all_stops_is_said_once_at_the_end():
    relay, shown = fed('before\nWorkflowError in file "/a b/common.smk", line 4:\nkerbwalk: no such folder\nend')
    assert shown == ["before", "end"] and relay.sentences == ["no such folder"]


def test_a_name_of_nothing_is_told_with_those_there_are():
    said = "before\nMissingRuleException:\nNo rule to produce a 'b (if you use input functions make sure so).\nend"
    relay, shown = fed(said)
    assert shown == ["before", "end"]
    assert relay.sentences[0].startswith('there is nothing called "a \'b" to be made; by name there are all, archive,')
    relay, shown = fed("WorkflowError:\nTarget rules may not contain wildcards. Please specify")
    assert shown == [] and relay.sentences[0].startswith("a step of each shoot cannot be asked for by its name; ")


def test_the_command_of_a_job_that_failed_is_not_shown_and_is_no_traceback():
    said = 'before\nRuleException:\nCalledProcessError in file "/a b/rules/audit.smk", line 39:\n'
    relay, shown = fed(said + "Command 'kerbwalk audit --names '\nx\n'' returned non-zero exit status 1.\nafter")
    assert shown == ["before", "after"] and relay.held == []
    assert relay.error == "Command 'kerbwalk audit --names '"
    assert fed(said + "died with x.\n' died with SIG.\nafter")[1] == ["before", "after"]


def test_another_error_of_a_rule_is_shown_as_it_is():
    said = "RuleException:\nMissingOutput in rule look:\nno file\n"
    assert fed(said)[1] == said.splitlines()


def test_our_own_sentences_are_kept_once_each_without_colour():
    relay, _ = fed("\x1b[31mkerbwalk: one\x1b[0m\nWorkflowError: kerbwalk: two\nkerbwalk: one\n")
    assert relay.sentences == ["one", "two"]


def test_without_any_error_the_last_line_is_kept():
    assert fed("one\ntwo\n\n")[0].error == "two"


def test_what_snakemake_says_of_itself_is_left_to_its_log():
    banner = "\nSNAKEMAKE\n=========\n  Host: vm\n  Command: snakemake --config title=kerbwalk: a walk\n\n"
    relay, shown = fed("before\n" + banner + "  after")
    assert shown == ["before", "", "  after"]
    assert relay.sentences == []


def test_what_says_nothing_to_a_user_is_left_to_its_log():
    said = """\
Using workflow specific profile /a b/default for setting default command line arguments.
Assuming unrestricted shared filesystem usage.
Building DAG of jobs...
Using shell: /usr/bin/bash
Provided cores: 2
Rules claiming more threads will be scaled down.
Conda environments: ignored
ValueError: odd
Exiting because a job execution failed. Look above for error messages
Complete log(s): /a b.log
Elapsed time: 0:00:01.821262
Some jobs were triggered by provenance information, see 'reason' section in the rule displays above.
If you prefer that only modification time is used to determine whether a job shall be executed, use another option.
If you are sure that a change for a certain output file (say, <outfile>) won't change the result, wipe its metadata.
WorkflowError:
At least one job did not complete successfully."""
    relay, shown = fed(said)
    assert shown == ["ValueError: odd"] and relay.error == "ValueError: odd"
    real = "WorkflowError:\nThe scheduler is away.\nUsing shell: none, as bash is not there"
    assert fed(real)[1] == real.splitlines()
