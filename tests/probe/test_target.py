"""Where to ask, from the words of the command line."""

import pytest

from gateway.configuration.schema import NetworkConnection, SerialConnection
from gateway.probe.target import LONG_BLOCKS, ONE_REGISTER, Manner, connection_of, in_words, longest_wait_s


def test_host_and_port_are_modbus_tcp_unless_said_otherwise() -> None:
    keys = connection_of("10.0.0.5:1502", Manner(), LONG_BLOCKS)
    assert keys == NetworkConnection(transport="tcp", host="10.0.0.5", port=1502, reply_timeout_s=1.0)
    assert connection_of("[::1]:502", Manner(framing="rtu_over_tcp"), LONG_BLOCKS) == NetworkConnection(
        transport="rtu_over_tcp", host="::1", port=502, reply_timeout_s=1.0
    )


def test_a_path_is_a_serial_port() -> None:
    said = Manner(baud_rate=19200, parity="none", stop_bits=2, reply_timeout_s=0.4, pause_s=0.01)
    assert connection_of("/dev/ttyS1", said, LONG_BLOCKS) == SerialConnection(
        transport="rtu",
        device="/dev/ttyS1",
        baud_rate=19200,
        parity="none",
        stop_bits=2,
        reply_timeout_s=0.4,
        pause_s=0.01,
    )


def test_on_a_slow_line_the_longest_reply_has_time_to_come_through() -> None:
    slow = connection_of("/dev/ttyS1", Manner(baud_rate=1200), LONG_BLOCKS)
    assert slow.reply_timeout_s > 250 * 11 / 1200


def test_a_request_without_a_reply_takes_the_quiet_period_as_well_on_a_line() -> None:
    direct = connection_of("h:502", Manner(), ONE_REGISTER)
    line = connection_of("h:502", Manner(framing="rtu_over_tcp"), ONE_REGISTER)
    assert longest_wait_s(direct) == pytest.approx(0.5)
    assert longest_wait_s(line) == pytest.approx(0.5 + line.quiet_after_timeout_s)


@pytest.mark.parametrize(
    ("target", "manner", "complaint"),
    [
        ("10.0.0.5", Manner(), "HOST:PORT"),
        ("", Manner(), "HOST:PORT"),
        (":502", Manner(), "HOST:PORT"),
        ("host:five", Manner(), "HOST:PORT"),
        ("host:0", Manner(), "port is 0"),
        ("host:65536", Manner(), "port is 65536"),
        ("host:502", Manner(parity="odd"), "--parity odd: host:502 is no serial port"),
        ("/dev/ttyS0", Manner(framing="tcp"), "--framing tcp: a serial port has RTU frames"),
    ],
)
def test_what_does_not_fit_is_refused_in_words(target: str, manner: Manner, complaint: str) -> None:
    with pytest.raises(ValueError, match=complaint):
        connection_of(target, manner, LONG_BLOCKS)


def test_a_connection_is_told_in_a_few_words() -> None:
    assert in_words(connection_of("h:502", Manner(), LONG_BLOCKS)) == "h:502 (Modbus TCP)"
    assert in_words(connection_of("/dev/ttyS0", Manner(), LONG_BLOCKS)).startswith("/dev/ttyS0 (RTU, 9600 baud")
