"""``purplegate probe`` against devices: right ones, others' implementations, and bad ones."""

import asyncio
import contextlib
import os
import pty
import re
import signal
import socket
import subprocess
import sys
import termios
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from gateway.cli import main
from gateway.configuration.plant import load_site
from tests.drivers import hostile
from tests.drivers.hostile import Asked, Peer
from tests.drivers.test_modbus_peers import Line, SerialDevice
from tests.probe.peers import device, in_a_thread, peer, pymodbustcp, simulated_line
from tests.probe.register_maps import registers

MARROWFELL = Path(__file__).parents[2] / "config" / "marrowfell"
DONE, FAILED, WRONG, WRONG_SITE, BY_HAND = 0, 1, 2, 3, 130
RTU = ("--framing", "rtu_over_tcp")
READ_FUNCTIONS = {1, 2, 3, 4}


def run(*arguments: object, width: int = 100) -> Result:
    runner = CliRunner(env={"COLUMNS": str(width)})
    result = runner.invoke(main, ["probe", *(str(one) for one in arguments)])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    assert "Traceback" not in result.output
    return result


def at(port: int) -> str:
    return f"127.0.0.1:{port}"


def words(*numbers: float, order: str = "CDAB", first: int = 0) -> dict[int, int]:
    found = [word for number in numbers for word in registers(number, "float32", order)]
    return dict(enumerate(found, start=first))


# --- units --------------------------------------------------------------------------------------------------------


def test_units_that_answer_that_refuse_and_that_are_silent_are_told_apart() -> None:
    with peer(device({(11, 3): {0: 5}, (12, 4): {0: 7}})) as line:
        result = run("units", at(line.port), *RTU, "--units", "10-13", "--reply-timeout", 0.2)
    assert result.exit_code == DONE
    assert "unit  11  answers" in result.stdout
    assert "unit  12  refuses (exception 1, illegal function): a device is there" in result.stdout
    assert "2 units there, 2 silent, 4 asked" in result.stdout
    assert "unit  10" not in result.stdout
    assert result.stdout.count("5 requests, reply after ") == 2
    assert "4 unit ids, 2 s if nobody answers" in result.stderr
    assert {asked.function for asked in line.asked} <= READ_FUNCTIONS


def test_a_converter_that_says_nobody_is_there_proves_no_device() -> None:
    async def converter(peer: Peer, asked: Asked, writer: asyncio.StreamWriter) -> None:
        message = hostile.good_message(asked) if asked.unit_id == 2 else bytes((asked.function | 0x80, 11))
        writer.write(peer.frame(asked, message))

    with peer(converter, rtu=False) as line:
        result = run("units", at(line.port), "--units", "1-4")
    assert "1 unit there, 0 silent, 3 not there by the converter's word, 4 asked" in result.stdout


def test_a_device_that_answers_every_unit_id_is_suspected_to_be_one() -> None:
    with pymodbustcp({0: 5}) as server:
        result = run("units", at(server.port), "--units", "1-5")
    assert result.exit_code == DONE
    assert "5 units there" in result.stdout
    assert "may be one device that does not look at the unit id" in result.stdout


def test_a_late_reply_is_not_taken_for_the_next_unit_and_is_told() -> None:
    """Unit 2 answers when unit 3 is asked; unit 3 is there all the same."""
    late: list[bytes] = []

    async def script(peer: Peer, asked: Asked, writer: asyncio.StreamWriter) -> None:
        if asked.unit_id == 2:
            late.append(peer.frame(asked, hostile.good_message(asked)))
        elif asked.unit_id == 3 and late:
            writer.write(late.pop())
        elif asked.unit_id == 3:
            await hostile.good(peer, asked, writer)

    with peer(script) as line:
        result = run("units", at(line.port), *RTU, "--units", "1-4", "--reply-timeout", 0.2)
    assert "unit   3  answers; something else came first" in result.stdout
    assert "1 unit there, 3 silent, 4 asked" in result.stdout
    assert "a unit may answer late; try a longer --reply-timeout" in result.stdout


def test_what_cannot_be_read_at_all_points_to_the_line() -> None:
    async def noise(_peer: Peer, _asked: Asked, writer: asyncio.StreamWriter) -> None:
        writer.write(b"\x55\xaa\x00")

    with peer(noise) as line:
        result = run("units", at(line.port), *RTU, "--units", "1-2", "--reply-timeout", 0.2)
    assert result.exit_code == FAILED
    assert "something comes that is no reply" in result.stdout
    assert "look at baud rate and parity" in result.stdout


def test_a_device_that_hangs_up_leaves_what_was_found_so_far() -> None:
    async def once(peer: Peer, asked: Asked, writer: asyncio.StreamWriter) -> None:
        if asked.unit_id == 1:
            await hostile.good(peer, asked, writer)
        else:
            writer.close()

    with peer(once, rtu=False) as line:
        result = run("units", at(line.port), "--units", "1-4")
    assert result.exit_code == FAILED
    assert "unit   1  answers" in result.stdout
    assert "stopped after 1 of 4 unit ids" in result.stdout
    assert "lost" in result.stderr


def test_a_connection_that_was_lost_is_opened_once_more() -> None:
    async def drops_one(peer: Peer, asked: Asked, writer: asyncio.StreamWriter) -> None:
        if asked.unit_id == 2 and peer.connections == 1:
            writer.close()
        else:
            await hostile.good(peer, asked, writer)

    with peer(drops_one, rtu=False) as line:
        result = run("units", at(line.port), "--units", "1-3")
    assert "3 units there, 0 silent, 3 asked" in result.stdout
    assert line.connections == 2


def test_many_silent_units_on_a_tcp_device_hide_no_other() -> None:
    with peer(device({(9, 3): {0: 5}}), rtu=False) as line:
        result = run("units", at(line.port), "--units", "1-10", "--reply-timeout", 0.05)
    assert "1 unit there, 9 silent, 10 asked" in result.stdout


def stopped_by_hand(arguments: list[str], shown: str) -> tuple[int, str]:
    """Run the real command until a text is shown, press Ctrl-C, and see how it ends."""
    command = [sys.executable, "-u", "-m", "gateway", "probe", *arguments]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True) as process:
        assert process.stdout is not None
        seen = ""
        while shown not in seen:
            line = process.stdout.readline()
            assert line, seen
            seen += line
        process.send_signal(signal.SIGINT)
        rest, _ = process.communicate(timeout=20)
    return process.returncode, seen + rest


def test_ctrl_c_prints_the_units_found_so_far() -> None:
    with peer(device({(1, 3): {0: 5}})) as line:
        code, text = stopped_by_hand(["units", at(line.port), *RTU], "unit   1  answers")
    assert code == BY_HAND
    assert re.search(r"stopped after \d+ of 247 unit ids", text)
    assert "1 unit there" in text
    assert "Traceback" not in text


def test_ctrl_c_is_the_usual_end_of_watching() -> None:
    with peer(device({(1, 3): {0: 5}})) as line:
        where = ["read", at(line.port), *RTU, "--unit", "1", "--addresses", "0", "--watch", "0.1"]
        code, text = stopped_by_hand(where, "0005")
    assert code == DONE
    assert "unit 1: " in text
    assert "Traceback" not in text


# --- read ---------------------------------------------------------------------------------------------------------


def test_registers_are_shown_in_every_decode_with_the_holes_between_them() -> None:
    held = {**words(31.25, 7.5, first=10), 20: 0x8005}
    with peer(device({(11, 3): held})) as line:
        result = run("read", at(line.port), *RTU, "--unit", 11, "--addresses", "8-20", "--counts-from", 40001)
    assert result.exit_code == DONE
    assert "       8   40009  to 9: refused (exception 2)" in result.stdout
    assert "      14   40015  to 19: refused (exception 2)" in result.stdout
    floats = result.stdout.split("f32 ABCD")[1]
    assert re.search(r"^ +10 +40011 .* 31\.25 ", floats, re.MULTILINE)
    assert re.search(r"^ +12 +40013 .* 7\.5 ", floats, re.MULTILINE)
    assert re.search(r"unit 11: \d+ requests, reply after .*; \d+ refused", result.stdout)
    assert {asked.function for asked in line.asked} == {3}
    assert all(asked.address >= 8 and asked.address + asked.count <= 21 for asked in line.asked)


def test_pymodbustcp_is_read_in_pieces_of_125_or_as_asked() -> None:
    with pymodbustcp({199: 721}) as server:
        for longest in ((), ("--longest", 50)):
            result = run("read", at(server.port), "--unit", 1, "--addresses", "0-199", "--show", "words", *longest)
            assert result.exit_code == DONE
            assert "     199  02d1      721" in result.stdout
            assert f"unit 1: {4 if longest else 2} requests" in result.stdout


def test_bits_are_read_two_thousand_at_a_time() -> None:
    with pymodbustcp({}) as server:
        server.data_bank.set_coils(2047, [True])
        result = run("read", at(server.port), "--unit", 1, "--table", "coil", "--addresses", "0-2047")
    assert "unit 1: 2 requests" in result.stdout
    assert result.stdout.count(" 1") > 0
    assert re.search(r"^ +2032( +0){15} +1$", result.stdout, re.MULTILINE)


def test_watching_marks_what_changed() -> None:
    count = iter(range(100))

    async def counting(peer: Peer, asked: Asked, writer: asyncio.StreamWriter) -> None:
        writer.write(peer.frame(asked, hostile.read_message(3, [7, next(count)])))

    with peer(counting) as line:
        where = ("read", at(line.port), *RTU, "--unit", 1, "--addresses", "0-1", "--show", "words")
        result = run(*where, "--watch", 0.1, "--rounds", 3)
    assert re.findall(r"\*\d+", result.stdout) == ["*1", "*1"]
    assert "unit 1: 3 requests" in result.stdout


def test_a_unit_that_is_not_there_is_a_failure_said_once() -> None:
    with peer(device({(1, 3): {0: 5}})) as line:
        result = run("read", at(line.port), *RTU, "--unit", 9, "--reply-timeout", 0.2)
    assert result.exit_code == FAILED
    assert result.stdout.count("to 9: no reply") == 1
    assert "unit 9: 2 requests, no reply time; 2 without a reply" in result.stdout


@contextlib.asynccontextmanager
async def serial_line() -> AsyncIterator[tuple[str, SerialDevice]]:
    with contextlib.ExitStack() as stack:
        line = Line(members=2)
        stack.callback(line.close)
        unit = SerialDevice(line.ports[1], 11)
        try:
            yield line.ports[0], unit
        finally:
            await asyncio.to_thread(unit.stop)


def test_a_libmodbus_device_on_a_serial_line_is_found_and_read() -> None:
    line_keys = ("--baud-rate", 19200, "--parity", "none", "--reply-timeout", 0.3)
    with in_a_thread(serial_line) as (port, unit):
        for address, word in words(7.25).items():
            unit.mapping.contents.holding[address] = word
        there = run("units", port, *line_keys, "--units", "10-12")
        read = run("read", port, *line_keys, "--unit", 11, "--addresses", "0-63", "--show", "f32")
    assert "1 unit there, 2 silent, 3 asked" in there.stdout
    assert re.search(r"^ +0 .* 7\.25 ", read.stdout, re.MULTILINE)


def test_on_a_terminal_each_round_takes_the_place_of_the_one_before_and_fits_it() -> None:
    far, near = pty.openpty()
    termios.tcsetwinsize(near, (12, 80))
    with peer(device({(1, 3): dict(enumerate(range(1, 41)))})) as line:
        where = [at(line.port), *RTU, "--unit", "1", "--addresses", "0-39", "--show", "words"]
        command = [sys.executable, "-m", "gateway", "probe", "read", *where, "--watch", "0.1", "--rounds", "2"]
        unset = {name: value for name, value in os.environ.items() if name not in ("LINES", "COLUMNS")}
        done = subprocess.run(command, stdout=near, stderr=near, timeout=30, check=False, env=unset)
    os.close(near)
    shown = b""
    with contextlib.suppress(OSError):  # the end of a pseudo-terminal
        while piece := os.read(far, 4096):
            shown += piece
    os.close(far)
    assert done.returncode == DONE
    rounds = shown.decode().split("\x1b[H\x1b[2J")[1:]
    assert len(rounds) == 2
    assert all("32 more lines" in one for one in rounds)
    assert rounds[0].split("\x1b[K")[0].count("\n") <= 12


# --- find ---------------------------------------------------------------------------------------------------------


def test_two_anchors_find_the_value_and_print_the_keys_to_paste(tmp_path: Path) -> None:
    file = tmp_path / "ph.anchors"
    for shown, values in (("7.21", (31.7342, 7.2134, 0.0)), ("7.64", (33.1297, 7.6391, 0.0))):
        with peer(device({(11, 3): words(*values, first=10)})) as line:
            where = (at(line.port), *RTU, "--unit", 11, "--addresses", "10-15", "--counts-from", 40001)
            file.write_text(re.sub(r"127\.0\.0\.1:\d+", at(line.port), file.read_text() if file.exists() else ""))
            result = run("find", *where, "--value", shown, "--anchors", file)
            assert result.exit_code == DONE
    text = result.stdout
    assert "fits both anchors" in text
    pasted = "\n".join(line.strip() for line in text.split("1. ")[1].splitlines() if line.startswith("       "))
    assert pasted.startswith('table: holding\naddress: 12\nmanual: "40013"\ntype: float32\nbyte_order: CDAB')
    assert "input: 0 registers read; 6 not: refused, the device has no such table" in result.stderr
    assert len(file.read_text().splitlines()) == 2
    again = run("find", "--anchors", file)
    assert "address: 12" in again.stdout


def test_a_value_below_zero_and_a_range_below_zero_can_be_said() -> None:
    with peer(device({(1, 4): {0: -37 & 0xFFFF, 5: 12800}})) as line:
        where = ("find", at(line.port), *RTU, "--unit", 1, "--addresses", "0-5")
        below = run(*where, "--value", "-3.7")
        loop = run(*where, "--value", "0.0", "--range", -20, 60)
    assert "1. input 0: int16 times 0.1" in below.stdout
    assert "loop: {low_count: 6400, high_count: 32000}" in loop.stdout
    assert "range: [-20, 60]" in loop.stdout


def test_an_anchor_with_which_nothing_fits_is_not_kept(tmp_path: Path) -> None:
    file = tmp_path / "a.anchors"
    with peer(device({(11, 3): {0: 5, 1: 6}})) as line:
        result = run(
            "find", at(line.port), *RTU, "--unit", 11, "--addresses", "0-1", "--value", "7.2", "--anchors", file
        )
    assert result.exit_code == FAILED
    assert "nothing fits 7.2" in result.stdout
    assert "Not kept" in result.stderr
    assert not file.exists()


def test_anchors_of_another_device_are_not_mixed_in(tmp_path: Path) -> None:
    file = tmp_path / "a.anchors"
    with peer(device({(11, 3): {0: 721}, (12, 3): {0: 721}})) as line:
        where = ("find", at(line.port), *RTU, "--addresses", "0", "--value", "7.21", "--anchors", file)
        assert run(*where, "--unit", 11).exit_code == DONE
        other = run(*where, "--unit", 12)
    assert other.exit_code == WRONG
    assert "take another file" in other.stderr


def test_the_simulated_analyzer_is_found_by_what_its_display_shows() -> None:
    with in_a_thread(simulated_line) as (port, reading):
        shown = f"{reading('AIT-510'):.3f}"
        result = run(
            "find", at(port), *RTU, "--unit", 11, "--value", shown, "--addresses", "0-99", "--table", "holding"
        )
        scaled = run("find", at(port), *RTU, "--unit", 12, "--value", f"{reading('AIT-801'):.2f}", "--addresses", "0-6")
    assert "1. holding 16: float32 CDAB" in result.stdout
    assert "1. input 0: " in scaled.stdout
    assert "int16 times 0.01" in scaled.stdout


# --- what is wrong ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (("units",), "Give a TARGET"),
        (("units", "10.0.0.5"), "HOST:PORT"),
        (("units", "h:1", "--units", "0-9"), "0-9 lies outside 1 to 255"),
        (("units", "h:1", "--units", "9-1"), "runs backwards"),
        (("units", "h:1", "--units", "a-b"), "write FIRST-LAST, such as 0-99"),
        (("units", "h:1", "--baud-rate", "9600"), "is no serial port"),
        (("units", "/dev/x", "--framing", "tcp"), "leave --framing out"),
        (("units", "h:1", "--connection", "COM1"), "give one of them"),
        (("read", "h:1", "--unit", "0"), "1<=x<=255"),
        (("read", "h:1", "--unit", "1", "--addresses", "65536"), "lies outside 0 to 65535"),
        (("read", "h:1", "--unit", "1", "--show", "f16"), "'f16'; allowed are words, f32"),
        (("find",), "give --value"),
        (("find", "--value", "7.2"), "Give a TARGET"),
        (("find", "h:1", "--value", "7.2"), "--value needs --unit"),
        (("find", "h:1", "--unit", "1", "--value", "7,2"), "write digits and a point"),
    ],
)
def test_a_wrong_command_line_is_refused_before_anything_is_sent(arguments: tuple[str, ...], complaint: str) -> None:
    result = run(*arguments)
    assert result.exit_code == WRONG
    assert complaint in result.stderr


def test_a_range_without_width_is_refused_when_it_is_used(tmp_path: Path) -> None:
    with peer(device({(1, 3): {0: 721}})) as line:
        where = ("find", at(line.port), *RTU, "--unit", 1, "--addresses", "0", "--value", "7.21")
        result = run(*where, "--range", 10, 10, "--anchors", tmp_path / "a")
    assert result.exit_code == WRONG
    assert "--range" in result.stderr


@pytest.mark.parametrize("target", ["127.0.0.1:1", "/dev/no-such-port"])
@pytest.mark.parametrize("command", [("units",), ("read", "--unit", "1"), ("find", "--unit", "1", "--value", "7.2")])
def test_a_device_that_cannot_be_reached_is_told_with_what_to_look_at(target: str, command: tuple[str, ...]) -> None:
    result = run(*command, target)
    assert result.exit_code == FAILED
    assert "cannot be connected" in result.stderr
    assert "single connection must be freed first" in result.stderr


# --- a connection of a site ---------------------------------------------------------------------------------------


def site_with(tmp_path: Path, connection: str) -> Path:
    """A site of one connection and nothing that writes."""
    folder = tmp_path / "site"
    folder.mkdir()
    (folder / "site.yaml").write_text(
        f"""\
site: {{id: hut, name: Hut, time_zone: Europe/Berlin}}
connections:
  LINE: {connection}
devices:
  M1: {{service: meter, connection: LINE, unit_id: 11, manual_counts_from: 40001, longest_read: 4}}
tags:
  T1: {{service: level, device: M1, table: holding, address: 0, type: uint16, poll_interval_s: 5}}
""",
        encoding="utf-8",
    )
    return folder


def test_a_declared_connection_is_used_as_declared(tmp_path: Path) -> None:
    with peer(device({(11, 3): dict.fromkeys(range(10), 3)})) as line:
        site = site_with(tmp_path, f"{{transport: rtu_over_tcp, host: 127.0.0.1, port: {line.port}}}")
        result = run("read", "--site", site, "--connection", "LINE", "--unit", 11, "--show", "words")
    assert result.exit_code == DONE, result.output
    assert "40010" in result.stdout
    assert [asked.count for asked in line.asked] == [4, 4, 2]


@pytest.mark.parametrize(
    ("said", "code", "complaint"),
    [
        (("--connection", "NIX"), WRONG, "the site has no such connection; it has LINE"),
        (("--connection", "LINE", "--framing", "tcp"), WRONG, "is used as declared"),
    ],
)
def test_a_connection_that_the_site_does_not_have_so_is_refused(
    tmp_path: Path, said: tuple[str, ...], code: int, complaint: str
) -> None:
    site = site_with(tmp_path, "{transport: tcp, host: 127.0.0.1, port: 1}")
    result = run("units", "--site", site, *said)
    assert result.exit_code == code
    assert complaint in result.stderr


def test_a_site_with_faults_is_refused_with_them(tmp_path: Path) -> None:
    site = site_with(tmp_path, "{transport: tcp, host: 127.0.0.1, prot: 1}")
    result = run("units", "--site", site, "--connection", "LINE")
    assert result.exit_code == WRONG_SITE
    assert "prot" in result.stderr
    assert "or name the device as TARGET" in result.stderr


@contextlib.contextmanager
def running_gateway(site: Path) -> Iterator[None]:
    """Somebody listens where the site's field process would."""
    loaded = load_site(site)
    path = loaded.resolve(loaded.site.place.socket)
    path.parent.mkdir(parents=True, exist_ok=True)
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listening:
        listening.bind(str(path))
        listening.listen()
        yield


def test_a_line_that_the_running_gateway_holds_alone_is_left_alone(tmp_path: Path) -> None:
    with peer(hostile.good) as line:
        keys = f"transport: rtu_over_tcp, host: 127.0.0.1, port: {line.port}"
        site = site_with(tmp_path, f"{{{keys}, single: true}}")
        with running_gateway(site):
            result = run("units", "--site", site, "--connection", "LINE")
        assert line.connections == 0
        assert result.exit_code == FAILED
        assert "allows one connection (single) and the gateway of this site is running" in result.stderr
        assert run("units", "--site", site, "--connection", "LINE", "--units", 11).exit_code == DONE, "it has stopped"


def test_a_line_that_can_be_shared_is_probed_beside_the_gateway_and_that_is_said(tmp_path: Path) -> None:
    with peer(hostile.good) as line:
        site = site_with(tmp_path, f"{{transport: rtu_over_tcp, host: 127.0.0.1, port: {line.port}}}")
        with running_gateway(site):
            result = run("units", "--site", site, "--connection", "LINE", "--units", 11)
    assert result.exit_code == DONE
    assert "polls the same devices" in result.stderr
