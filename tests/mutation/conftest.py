"""Without the extra `mutation` there is nothing to look for doctests in."""

from importlib.util import find_spec

collect_ignore = [] if find_spec("cosmic_ray") else ["mutants.py", "trial.py"]
