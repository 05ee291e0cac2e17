"""`python -m dutylog.web`."""

from __future__ import annotations

from dutylog.web.server import main

raise SystemExit(main())
