"""Stage ``read_source``: photos and scans as they were stored."""
