"""A pytest plug-in: the settings of hypothesis under which a mutant is tried. Fewer examples, always the same."""

from hypothesis import settings

settings.register_profile("mutation", deadline=None, derandomize=True, max_examples=30, database=None)
