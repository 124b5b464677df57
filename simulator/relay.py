"""The data link between gateway and office, as a relay that can be cut. For the demonstration and tests.

Carries bytes both ways between whoever connects and one port on the loopback.
Cut, it hangs up on everybody and takes nobody; it decides nothing else.
"""

import asyncio
import contextlib

_HOST = "127.0.0.1"
_CHUNK_BYTES = 65_536


class Relay:
    """A link to a port.

    Args:
        target_port: where it leads.

    Attributes:
        port: where it begins, once started.
    """

    def __init__(self, target_port: int) -> None:
        self.port = 0
        self._target_port = target_port
        self._open = True
        self._server: asyncio.Server | None = None
        self._carrying: set[asyncio.Task[None]] = set()

    async def start(self) -> None:
        """Take connections."""
        self._server = await asyncio.start_server(self._converse, _HOST, 0)
        self.port = int(self._server.sockets[0].getsockname()[1])

    async def stop(self) -> None:
        """Hang up and close."""
        self.switch(is_open=False)
        if self._server is not None:
            self._server.close()
            await asyncio.gather(*self._carrying, return_exceptions=True)
            await self._server.wait_closed()

    def switch(self, *, is_open: bool) -> None:
        """Cut the link, or let it carry again."""
        self._open = is_open
        if not is_open:
            for task in tuple(self._carrying):
                task.cancel()

    async def _converse(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.create_task(self._carry(reader, writer))
        self._carrying.add(task)
        task.add_done_callback(self._carrying.discard)

    async def _carry(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Both ways, until one side is gone."""
        with contextlib.suppress(OSError), contextlib.closing(writer):
            if not self._open:
                return
            far_reader, far_writer = await asyncio.open_connection(_HOST, self._target_port)
            with contextlib.closing(far_writer):
                ways = (
                    asyncio.create_task(_copy(reader, far_writer)),
                    asyncio.create_task(_copy(far_reader, writer)),
                )
                try:
                    await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
                finally:
                    for way in ways:
                        way.cancel()
                    await asyncio.gather(*ways, return_exceptions=True)


async def _copy(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    while chunk := await reader.read(_CHUNK_BYTES):
        writer.write(chunk)
        await writer.drain()
