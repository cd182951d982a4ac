"""Examples that hypothesis draws are the same in every run, so that a pass stays a pass on any machine, however busy.

`HYPOTHESIS_PROFILE=search python -m pytest` draws new ones.
"""

import os

from hypothesis import settings

settings.register_profile("fixed", derandomize=True, deadline=None, database=None)
settings.register_profile("search", deadline=None, print_blob=True)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "fixed"))
