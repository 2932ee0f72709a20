"""How the service is served in a container: the settings of ``weighbook serve``, for gunicorn's own command.

Threads wait for the database side by side; a second core wants a second worker (WEIGHBOOK_WORKERS). A worker that
answers nothing for a minute is replaced. A thread that reads a slow body has no timeout of its own, so a buffering
proxy belongs in front.
"""

import os

from service.api.problems import LONGEST_REQUEST_LINE
from service.cli.opening import bring_empty_to_newest, opened, settings_with
from service.cli.serving import answer_refusals_as_problems, begin_worker

wsgi_app = "service.app:from_environment()"
bind = os.environ.get("WEIGHBOOK_BIND", "0.0.0.0:8750")
workers = int(os.environ.get("WEIGHBOOK_WORKERS", "1"))
worker_class = "gthread"
threads = 4
timeout = 60
graceful_timeout = 30
keepalive = 5
limit_request_line = LONGEST_REQUEST_LINE
limit_request_fields = 50
limit_request_field_size = 8190
control_socket_disable = True
worker_tmp_dir = "/dev/shm"  # the heartbeat file: a disk that is busy must not look like a worker that is dead
accesslog = None
errorlog = "-"
loglevel = settings_with().log_level


def on_starting(server):
    """Give an empty database the newest schema before a worker begins; an older one is refused."""
    answer_refusals_as_problems()
    with opened(settings_with().database_url) as database:
        bring_empty_to_newest(database)


def post_fork(server, worker):
    """Make the worker ready; its log is the container's output."""
    begin_worker(settings_with().log_level)
