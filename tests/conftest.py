"""What holds for every run of the tests, however busy the machine.

Examples that hypothesis draws are the same in every run, so that a pass stays a pass;
`HYPOTHESIS_PROFILE=search python -m pytest` draws new ones. A shell that starts the tests in the background has them
ignore Ctrl-C, and so would the programs that they interrupt.
"""

import os
import signal

from hypothesis import settings

settings.register_profile("fixed", derandomize=True, deadline=None, database=None)
settings.register_profile("search", deadline=None, print_blob=True)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "fixed"))

if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
