"""What a lab file names and is not there as it must be: secrets, certificates, a program."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator

from rig.monitor.mqtt.signing import SHORTEST_SECRET
from rig.monitor.secrets import secret_problem
from rig.protocol.document import Document, Read, open_document
from rig.protocol.lab import Lab, Messages, Secret, Tls
from rig.protocol.lab_file import build_lab
from rig.protocol.position import Path

Named = tuple[Path, str]
"""Where something is named, and what is wrong with it and what would be right, "" for nothing."""


def warn_unkept(rig: str, messages: Messages, read: Read) -> list[str]:
    """Return warnings about what rig file and lab file name, which have no problem themselves.

    A secret is never read: only whether it is there, and for its user alone.
    """
    document, own = open_document(messages.lab, read), open_document(rig, read)
    lab = build_lab(document)
    if lab is None:
        return []
    document.warnings.clear()  # told by whoever read it before
    _warn(document, _in_lab(lab, messages))
    _warn(own, [(("messages", "password"), _secret(messages.password))])
    return [str(warning) for found in (document, own) for warning in sorted(found.warnings)]


def _warn(document: Document, named: list[Named]) -> None:
    for path, told in named:
        problem, _, remedy = told.partition("; ")
        if problem:
            document.warn(path, problem, remedy)


def _in_lab(lab: Lab, messages: Messages) -> list[Named]:
    """Return what a lab file names that a rig of it needs."""
    named: list[Named] = []
    if lab.broker:
        if not messages.user:
            named.append((("broker", "password"), _secret(lab.broker.password)))
        named += _of_tls(lab.broker.tls)
    if lab.afar and messages.requests:
        named.append((("requests", "secret"), _signing(lab.afar.secret)))
    if lab.mail:
        named.append((("mail", "password"), _secret(lab.mail.password)))
        named.append((("mail", "ca"), _readable(lab.mail.ca)))
    if lab.program:
        named.append((("program", "arguments", 0), _startable(lab.program.arguments[0])))
    return named


def _of_tls(tls: Tls | None) -> Iterator[Named]:
    if tls is not None:
        yield ("broker", "tls", "ca"), _readable(tls.ca)
        yield ("broker", "tls", "certificate"), _readable(tls.certificate)
        # A key is a secret like a password.
        yield ("broker", "tls", "key"), _secret(Secret(file=tls.key) if tls.key else None)


def _secret(secret: Secret | None) -> str:
    return secret_problem(secret) if secret else ""


def _signing(secret: Secret) -> str:
    told = _secret(secret)
    if told or not secret.file or os.stat(secret.file).st_size >= SHORTEST_SECRET:
        return told
    return (
        f"{secret.file}: is too short to sign requests, which takes {SHORTEST_SECRET} characters; "
        "make one with: openssl rand -hex 32"
    )


def _readable(file: str) -> str:
    if not file or (os.path.isfile(file) and os.access(file, os.R_OK)):
        return ""
    return f'"{file}" is no file that can be read; correct the path'


def _startable(program: str) -> str:
    if shutil.which(program):
        return ""
    return f'"{program}" is no program that can be started here; correct the path, or chmod +x it'
