"""A serial port on the event loop: the only file that imports pyserial.

It opens the port with the settings of the configuration, for this process
alone, hands over what comes and sends what it is given, without ever waiting.
What the bytes mean is for ``link``.
"""

import asyncio
import os
from typing import Final

import serial

from gateway.configuration.schema import SerialConnection

PARITIES: Final = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}
READ_BYTES: Final = 4096


class SerialLine:
    """An open port; a transport as far as ``link`` needs one.

    Args:
        keys: its section of the configuration.
        protocol: told of what comes and of the loss, as by any transport; the making is told at once.

    Raises:
        OSError: there is no such port, another program has it, or it is no serial line.
        ValueError: the port does not do these settings.
    """

    def __init__(self, keys: SerialConnection, protocol: asyncio.Protocol) -> None:
        self._loop = asyncio.get_running_loop()
        self._protocol = protocol
        self._port = serial.Serial(
            keys.device,
            baudrate=keys.baud_rate,
            parity=PARITIES[keys.parity],
            stopbits=keys.stop_bits,
            timeout=0,
            exclusive=True,
        )
        self._fd = self._port.fileno()  # which pyserial has opened so that nothing on it blocks
        self._unsent = b""
        self._closing = False
        self._loop.add_reader(self._fd, self._receive)

    def is_closing(self) -> bool:
        """Whether nothing more is sent."""
        return self._closing

    def write(self, data: bytes) -> None:
        """Send, behind what is not sent yet."""
        self._unsent += data
        if not self._closing:
            self._send()

    def abort(self) -> None:
        """Close at once; what is not sent never is."""
        self._end(None)

    def _send(self) -> None:
        try:
            sent = os.write(self._fd, self._unsent)
        except BlockingIOError:
            sent = 0
        except OSError as error:
            self._end(error)
            return
        self._unsent = self._unsent[sent:]
        if self._unsent:
            self._loop.add_writer(self._fd, self._send)
        else:
            self._loop.remove_writer(self._fd)

    def _receive(self) -> None:
        try:
            data = os.read(self._fd, READ_BYTES)
        except BlockingIOError:
            return
        except OSError as error:
            self._end(error)
            return
        if data:
            self._protocol.data_received(data)
        else:
            self._end(None)  # readable and empty: the device is gone

    def _end(self, error: OSError | None) -> None:
        if self._closing:
            return
        self._closing = True
        self._loop.remove_reader(self._fd)
        self._loop.remove_writer(self._fd)
        self._port.close()
        self._loop.call_soon(self._protocol.connection_lost, error)
