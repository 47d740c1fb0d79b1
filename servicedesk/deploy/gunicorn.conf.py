"""How gunicorn serves the desk; what differs between machines comes from the environment.

LISTEN is where it listens, WEB_CONCURRENCY how many processes serve (each with four threads).
"""

from __future__ import annotations

import os

from servicedesk.settings import LOGGING

bind = os.environ.get("LISTEN", "127.0.0.1:8000")
workers = int(os.environ.get("WEB_CONCURRENCY", "2"))
threads = 4
timeout = 120  # a process that shows no life for so long is replaced; the longest pages take far less
graceful_timeout = 30  # seconds for pages in hand when told to stop
keepalive = 5
max_requests, max_requests_jitter = 5000, 500  # a process starts anew now and then, never all at once
control_socket_disable = True  # one door less
worker_tmp_dir = "/dev/shm"  # noqa: S108  # gunicorn's sign of life belongs in memory, not on a disk  # nosec B108
logconfig_dict = LOGGING  # gunicorn keeps no log of addresses: the desk writes one line a request itself
