"""The one family of errors a user may see.

::

    TonelabError
    ├── ClipError (OSError)          a clip cannot be opened, decoded or written
    ├── SignalError (ValueError)     a signal description is impossible or contradicts the clip
    ├── ChartError (ValueError)      a chart cannot be rendered, or a clip is not a chart
    ├── PairingError (ValueError)    source and capture cannot be registered
    ├── IdentificationError (ValueError)  the tallies do not suffice for what was asked
    ├── CurveFileError (OSError)     a curve file is missing, damaged, foreign or too new
    ├── PlanError (ValueError)       a bench plan has mistakes
    ├── WorkerError (RuntimeError)   workers or a cluster cannot do the work
    └── UsageError (ValueError)      a wrong argument

Every message is one sentence that says what is wrong, where, and the mend.
"""


class TonelabError(Exception):
    """Root of all errors that tonelab raises on purpose."""


class ClipError(TonelabError, OSError):
    """A clip cannot be opened, decoded or written."""


class SignalError(TonelabError, ValueError):
    """A signal description is impossible or contradicts the clip."""


class ChartError(TonelabError, ValueError):
    """A chart cannot be rendered as asked, or a clip does not carry a readable chart."""


class PairingError(TonelabError, ValueError):
    """A source and a capture cannot be registered in time or space."""


class IdentificationError(TonelabError, ValueError):
    """The tallies do not suffice for what was asked of them."""


class CurveFileError(TonelabError, OSError):
    """A curve file is missing, damaged, foreign, or newer than this tonelab."""


class PlanError(TonelabError, ValueError):
    """A bench plan has mistakes; the message lists all of them, one sentence and line each."""


class WorkerError(TonelabError, RuntimeError):
    """Workers died, or a cluster cannot be used."""


class UsageError(TonelabError, ValueError):
    """An argument is wrong or two arguments contradict each other."""
