"""With this file here, tests can import the modules that stand beside it, and parts of the benchmarks."""

import sys
from pathlib import Path

from hypothesis import HealthCheck, settings

# Behind everything else: some of the scripts there have names that a library may have too.
sys.path.append(str(Path(__file__).parent.parent / "benchmarks"))

# How long an example takes depends on what else the computer does.
settings.register_profile("checkback", deadline=None, suppress_health_check=[HealthCheck.too_slow])
# `make test` looks at the same examples each time, so that its answer tells of the change alone.
settings.register_profile("same", settings.get_profile("checkback"), derandomize=True)
settings.load_profile("checkback")
