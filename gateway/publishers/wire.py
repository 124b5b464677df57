"""What a TCP connection has cost on the wire, by the kernel's own count. Reads, decides nothing.

Octets of both directions as they are handed to TCP, which with TLS is after
encryption, handshake included; those that had to be sent again count again.
For each segment, bare acknowledgements too, come the headers: IPv4 20 octets
(RFC 791), TCP 20 and 12 of time stamps (RFC 9293, 7323). What a carrier puts
around a packet, name look-ups and the two segments that end a connection are
not in it.
"""

import socket
import struct

HEADER_BYTES = 52
# Places in struct tcp_info (linux/tcp.h): bytes_received; segs_out, segs_in; bytes_sent (since Linux 4.19).
_RECEIVED, _SEGMENTS, _SENT = 128, 136, 200
_LENGTH_BYTES = 208


def wire_bytes_of(connection: socket.socket) -> int:
    """What it has cost so far; 0 when it is closed, or the kernel does not tell."""
    try:
        told = connection.getsockopt(socket.IPPROTO_TCP, socket.TCP_INFO, _LENGTH_BYTES)
    except OSError:
        return 0
    if len(told) < _LENGTH_BYTES:
        return 0
    (received,) = struct.unpack_from("=Q", told, _RECEIVED)
    segments = sum(struct.unpack_from("=II", told, _SEGMENTS))
    (sent,) = struct.unpack_from("=Q", told, _SENT)
    return int(received + sent + segments * HEADER_BYTES)
