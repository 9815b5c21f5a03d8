"""The scheduler's server as a child: it ends when the process that started it ends, however that comes about.

Its standard input is a pipe that the parent holds open; when the parent dies, the pipe ends.
"""

import os
import sys
import threading


def _end_with_parent() -> None:
    sys.stdin.buffer.read()
    os._exit(0)


if __name__ == "__main__":
    threading.Thread(target=_end_with_parent, daemon=True).start()
    from prefect.cli import app

    app()
