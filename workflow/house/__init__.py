"""What the Snakefile needs before any job starts: settings, shoots, identities, closing words.

Kept to the standard library, PyYAML and jsonschema, so that a start with nothing to do stays quick.
"""
