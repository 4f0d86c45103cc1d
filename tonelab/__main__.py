"""``python -m tonelab``, and the ``tonelab`` command."""

import signal
import sys
from contextlib import suppress


def run() -> None:
    """Run the command as the whole of a process, and end the process with its exit status."""
    try:
        from tonelab.cli.app import INTERRUPTED, main
    except KeyboardInterrupt:
        sys.exit(130)
    try:
        status = main()
    except KeyboardInterrupt:
        status = INTERRUPTED
    # What is left to do takes an instant, and a second interruption could only garble it.
    for name in (signal.SIGINT, signal.SIGTERM):
        with suppress(ValueError):
            signal.signal(name, signal.SIG_IGN)
    sys.exit(status)


if __name__ == "__main__":
    run()
