"""What all tests share."""

from hypothesis import settings

# How long one example takes says something of the machine, not of the answer.
settings.register_profile("any-machine", deadline=None)
settings.load_profile("any-machine")
