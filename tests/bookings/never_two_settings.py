"""Settings of a process that books beside a test: the test's own database, named in JSON."""

import json
import os

from tests.settings import *  # noqa: F403
from tests.settings import DATABASES

DATABASES["default"] |= json.loads(os.environ.get("NEVER_TWO_DATABASE", "{}"))
