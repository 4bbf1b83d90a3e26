"""With this file here, tests can import the modules that stand beside it."""

from hypothesis import settings

# How long an example takes depends on what else the computer does.
settings.register_profile("checkback", deadline=None)
settings.load_profile("checkback")
