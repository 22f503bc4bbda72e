"""Names of folders as Snakemake's paths have them."""

import hashlib
import os
import re

# What Snakemake takes for a wildcard without end.
PERIODIC = re.compile(r"(.+?)\1{19}")
# Signs that Snakemake (braces), or a shell between it and a scheduler, would read more into than a name.
MISREAD = re.compile(r"""[{}\x00-\x1f'"$`\\]""")


def safe_id(name):
    """The name itself, unless Snakemake, a command line or a scheduler would read more into it than a name."""
    misread = re.search(f"{MISREAD.pattern}|[,:=%/]", name) or PERIODIC.search(name)
    if not misread and not name.startswith("-") and name.isprintable() and name == name.strip():
        return name
    word = re.sub(r"[^A-Za-z0-9]+", "-", name).strip("-")[:24]
    return f".{word}-{digest(os.fsencode(name))}"


def digest(data):
    """A short BLAKE2b hash of bytes, in hexadecimal."""
    return hashlib.blake2b(data, digest_size=6).hexdigest()
