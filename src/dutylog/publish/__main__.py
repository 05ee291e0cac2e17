"""`python -m dutylog.publish`."""

from __future__ import annotations

import os

from dutylog.publish.process import main

os.umask(0o027)
raise SystemExit(main())
