"""A real mosquitto for tests, set up as the README says: passwords, ACL, its own authority.

    broker = Broker(folder)          # certificates, password file, ACL; nothing runs yet
    with broker.running():           # start, and end whatever became of it
        with broker.subscribed("nightrig/v1/lab-1/#") as heard:
            broker.publish(topic, b"...", user="shift")
            heard.wait(lambda told: len(told) > 3)

The ACL and the configuration are those of the README, with ports and paths of the test. `freeze`
stops the process by SIGSTOP, `kill` by SIGKILL; `start` begins it again on the same port, with
what it kept on its disk.
"""

import contextlib
import itertools
import os
import re
import shlex
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from rig.protocol.lab import Broker as BrokerFile
from rig.protocol.lab import Secret, Tls
from tests.readme import README

LAB, RIG = "lab-1", "frame-1"
PROGRAMS = ("mosquitto", "mosquitto_passwd", "mosquitto_sub", "mosquitto_pub", "openssl")
PASSWORDS = {
    "frame-1": "frame one's own",
    "frame-2": "frame two's own",
    "office": "only reads",
    "shift": "reads and asks",
    "stranger": "may nothing",
}
"""Users of the broker; the README's ACL says what they may (`frame-2` and `stranger`: nothing)."""
_NUMBERS = itertools.count(1)
PATIENCE = 10.0
"""How long [s] something that must come may take."""
# Debian keeps programs for daemons where the path of a user does not look.
os.environ["PATH"] += os.pathsep + "/usr/sbin"


def shown(name: str) -> str:
    """Return a block of the README by the comment above it."""
    found = re.search(rf"<!-- {re.escape(name)} -->\n```\w*\n(.*?)^```", README, re.M | re.S)
    assert found is not None, name
    return found[1]


def certificates(folder: Path) -> None:
    """Make the README's certificates: of an authority, this computer's broker, `frame-1`."""
    commands = shown("certificates").replace("\\\n", " ").splitlines()
    assert len(commands) == 3
    for command in commands:
        local = command.replace("DNS:broker.example", "DNS:localhost,IP:127.0.0.1")
        made = subprocess.run(shlex.split(local), cwd=folder, capture_output=True, check=False)
        assert made.returncode == 0, made.stderr.decode()


def free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


@dataclass
class Heard:
    """What a subscriber was sent: topic, payload, and whether the broker had kept it."""

    told: list[tuple[str, bytes, bool]] = field(default_factory=list)
    changed: threading.Condition = field(default_factory=threading.Condition)

    def add(self, line: bytes) -> None:
        kept, topic, payload = line.split(b" ", 2)
        with self.changed:
            self.told.append((topic.decode(), payload, kept == b"1"))
            self.changed.notify_all()

    def of(self, name: str) -> list[bytes]:
        """Return the payloads under a topic's last word, in the order of their coming."""
        with self.changed:
            return [payload for topic, payload, _ in self.told if topic.endswith(f"/{name}")]

    def wait(self, until: Callable[["Heard"], object], patience: float = PATIENCE) -> None:
        """Wait until something holds of what was heard; fail where it does not come to that."""
        end = time.monotonic() + patience
        with self.changed:
            while not until(self):
                left = end - time.monotonic()
                assert left > 0, f"not heard within {patience} s; the last: {self.told[-5:]}"
                self.changed.wait(min(left, 0.2))


class Broker:
    """One mosquitto on a free port of the loopback; see the module."""

    def __init__(
        self, folder: Path, *, tls: bool = True, acl: str | None = None, more: str = ""
    ) -> None:
        self.folder, self.tls, self.port = folder, tls, free_port()
        self.process: subprocess.Popen[bytes] | None = None
        self.frozen = False
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "kept").mkdir(exist_ok=True)
        if tls:
            certificates(folder)
        passwords = folder / "passwords"
        passwords.write_text("".join(f"{u}:{p}\n" for u, p in PASSWORDS.items()))
        passwords.chmod(0o600)
        subprocess.run(["mosquitto_passwd", "-U", str(passwords)], check=True)
        self.write_acl(shown("mosquitto acl") if acl is None else acl)
        (folder / "mosquitto.conf").write_text(self._settings() + more)

    def _settings(self) -> str:
        text = shown("mosquitto.conf").replace("/etc/mosquitto/nightrig", str(self.folder))
        text = re.sub(r"^listener .*", f"listener {self.port} 127.0.0.1", text, flags=re.M)
        text = re.sub(r"^autosave_interval .*", "autosave_interval 1", text, flags=re.M)
        if not self.tls:
            text = re.sub(
                r"^(cafile|certfile|keyfile|tls_version|require).*\n", "", text, flags=re.M
            )
        # As in the file that Debian ships; as root it would become another user.
        kept = f"persistence true\npersistence_location {self.folder}/kept/\n"
        user = "user root\n" if os.getuid() == 0 else ""
        log = f"log_dest file {self.folder}/log\n"
        types = "".join(f"log_type {t}\n" for t in ("error", "warning", "notice", "subscribe"))
        return f"{kept}{user}{log}{types}{text}"

    def write_acl(self, text: str) -> None:
        (self.folder / "acl").write_text(text)
        (self.folder / "acl").chmod(0o600)

    def file(self, user: str = RIG, password: str | None = None) -> BrokerFile:
        """Return what a lab file says of this broker; the password lies in a private file."""
        secret = self.folder / f"password-{user}"
        secret.write_text((PASSWORDS[user] if password is None else password) + "\n")
        secret.chmod(0o600)
        f = self.folder
        tls = Tls(str(f / "ca.crt"), str(f / "frame-1.crt"), str(f / "frame-1.key"))
        return BrokerFile(
            "localhost", self.port, user, Secret(file=str(secret)), tls if self.tls else None, 5.0
        )

    def table(self, user: str = RIG) -> str:
        """Return `[broker]` of a lab file, as text."""
        told = self.file(user)
        text = (
            f'[broker]\nhost = "localhost"\nport = {self.port}\nuser = "{user}"\n'
            f'password = {{ file = "{told.password.file if told.password else ""}" }}\n'
            'keep_alive = "5 s"\n'
        )
        if told.tls is not None:
            tls = told.tls
            text += f'\n[broker.tls]\nca = "{tls.ca}"\n'
            text += f'certificate = "{tls.certificate}"\nkey = "{tls.key}"\n'
        return text

    def start(self) -> None:
        """Start it and wait until it answers."""
        assert self.process is None
        self.process = subprocess.Popen(
            ["mosquitto", "-c", str(self.folder / "mosquitto.conf")],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        end = time.monotonic() + PATIENCE
        while True:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port)):
                return
            assert self.process.poll() is None, self.log()
            assert time.monotonic() < end, self.log()
            time.sleep(0.01)

    def log(self) -> str:
        path = self.folder / "log"
        return path.read_text(errors="replace") if path.exists() else ""

    def logged(self, text: str) -> None:
        """Wait until a text is in its log."""
        end = time.monotonic() + PATIENCE
        while text not in self.log():
            assert time.monotonic() < end, self.log()
            time.sleep(0.01)

    def _end(self, number: int) -> None:
        if self.process is not None:
            self.go_on()
            self.process.send_signal(number)
            self.process.wait(PATIENCE)
            self.process = None

    def stop(self) -> None:
        """End it in order: what it keeps is on its disk then."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """End it at once."""
        self._end(signal.SIGKILL)

    def freeze(self) -> None:
        """Let it hold every connection and answer nothing."""
        assert self.process is not None
        self.process.send_signal(signal.SIGSTOP)
        self.frozen = True

    def go_on(self) -> None:
        """Let a frozen one go on."""
        if self.frozen and self.process is not None:
            self.process.send_signal(signal.SIGCONT)
        self.frozen = False

    def read_files_again(self) -> None:
        """Let it read ACL and passwords again, without dropping anybody; its log ends there."""
        assert self.process is not None
        self.process.send_signal(signal.SIGHUP)

    @contextlib.contextmanager
    def running(self) -> Iterator["Broker"]:
        self.start()
        try:
            yield self
        finally:
            self.stop()

    def _as(self, user: str) -> list[str]:
        f = self.folder
        found = ["-h", "localhost", "-p", str(self.port), "-u", user, "-P", PASSWORDS[user]]
        files = ("--cafile", f / "ca.crt", "--cert", f / "frame-1.crt", "--key", f / "frame-1.key")
        return found + [str(each) for each in files] if self.tls else found

    @contextlib.contextmanager
    def subscribed(
        self, topic: str, user: str = "office", name: str = "", *, qos: int = 1
    ) -> Iterator[Heard]:
        """Hear a topic with mosquitto_sub, which is none of ours.

        It is started again where it ends for want of a broker. With a `name` the broker keeps its
        session, and what it missed.
        """
        heard, over = Heard(), threading.Event()
        client = name or f"looks-{next(_NUMBERS)}"
        command = ["mosquitto_sub", *self._as(user), "-i", client, *["-c"] * bool(name), "-k", "5"]
        command += ["-t", topic, "-q", str(qos), "-F", "%r %t %p"]
        running: list[subprocess.Popen[bytes]] = []

        def read() -> None:
            while not over.is_set():
                with subprocess.Popen(
                    command,
                    stdin=subprocess.DEVNULL,
                    stdout=subprocess.PIPE,
                    stderr=subprocess.DEVNULL,
                ) as process:
                    running[:] = [process]
                    assert process.stdout is not None
                    for line in process.stdout:
                        heard.add(line.removesuffix(b"\n"))
                over.wait(0.2)

        reader = threading.Thread(target=read, name="heard")
        reader.start()
        try:
            self.logged(f"{client} {qos} {topic}\n")
            yield heard
        finally:
            over.set()
            while reader.is_alive():
                for process in running:
                    process.kill()
                reader.join(0.2)

    def publish(
        self, topic: str, payload: bytes, user: str = "shift", *, retain: bool = False
    ) -> None:
        """Publish one message with mosquitto_pub, at quality of service 1."""
        command = ["mosquitto_pub", *self._as(user), "-q", "1", "-t", topic, "-s"]
        done = subprocess.run(
            command + ["-r"] * retain, input=payload, timeout=PATIENCE, check=False
        )
        assert done.returncode == 0


@pytest.fixture
def broker(tmp_path: Path, system_program: Callable[[str], str]) -> Iterator[Broker]:
    """A broker that runs, with passwords, ACL and TLS; for tests marked `system`."""
    for program in PROGRAMS:
        system_program(program)
    with Broker(tmp_path / "broker").running() as running:
        yield running
