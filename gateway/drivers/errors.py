"""Everything that can go wrong at the edge of the plant.

    EdgeError
    ├── NotConnected      no connection, or it was lost
    ├── NoAnswer          connected, and no reply within the reply time-out
    ├── Refused           the device replied with a Modbus exception (code)
    ├── InvalidReply      a reply came that does not fit the request
    └── WriteForbidden    somebody tried to write what is not a declared output (a fault of ours)

Each names the device, what was asked, and what came.
"""


class EdgeError(Exception):
    """Root of all errors at the edge."""


class NotConnected(EdgeError):  # noqa: N818 - named for what is the case
    """There is no connection, or it was lost while waiting."""


class NoAnswer(EdgeError):  # noqa: N818 - named for what is the case
    """No reply within the reply time-out."""


class Refused(EdgeError):  # noqa: N818 - named for what is the case
    """The device replied with a Modbus exception.

    Args:
        text: place and request in words.
        code: the exception code (Modbus Application Protocol V1.1b3, section 7).
    """

    def __init__(self, text: str, code: int) -> None:
        super().__init__(text)
        self.code = code


class InvalidReply(EdgeError):  # noqa: N818 - named for what is the case
    """A reply came that does not fit the request: function, unit, count."""


class WriteForbidden(EdgeError):  # noqa: N818 - named for what is the case
    """The block is not a declared output; nothing was sent."""
