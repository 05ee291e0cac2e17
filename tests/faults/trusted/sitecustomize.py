"""On the path of a daemon under test: its wall clock is vouched for, whatever the machine's own may be."""

from dutylog.daemon import wall_time

wall_time.is_utc_trusted = lambda *_: True
