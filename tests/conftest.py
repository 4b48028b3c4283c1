"""What all tests share."""

import os

from hypothesis import settings

# Two processes test at once: threads of their linear algebra would wait for each other. Read when numpy is first imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# How long one example takes says something of the machine, not of the answer.
settings.register_profile("any-machine", deadline=None)
settings.load_profile("any-machine")
