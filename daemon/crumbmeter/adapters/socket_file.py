"""The file of the local socket: its lock, which also keeps a second daemon off, and its binding over a stale one."""

import fcntl
import hashlib
import os
import socket
from pathlib import Path

from crumbmeter.model.faults import CrumbmeterError


class SocketHeldError(CrumbmeterError):
    """Another live daemon holds the socket."""

    def __init__(self, path: Path) -> None:
        super().__init__(
            f"{path} is held by another running crumbmeter. Two must not meter one feeder: stop the other one, "
            f"or give this site a [socket] path of its own."
        )


class SiteHeldError(CrumbmeterError):
    """Another live process of this machine meters or proves by the same site file."""

    def __init__(self, file: Path) -> None:
        super().__init__(
            f"{file} is the site of another running crumbmeter, perhaps started in another folder. Two must not meter "
            f"one feeder: stop the other one."
        )


def hold_site(file: Path) -> socket.socket:
    """Hold a site file until the socket that is returned is closed, or the process dies.

    The lock beside the local socket is another one for whoever was started in another folder, where the site names the
    socket by a relative path. This one is a name in the kernel, made of the file's own place, and no file.

    Raises:
        SiteHeldError: another process of this machine holds it.
    """
    name = hashlib.sha256(str(file.resolve()).encode("utf-8", "surrogateescape")).hexdigest()
    held = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        held.bind(f"\0crumbmeter-site-{name}")
    except OSError as fault:
        held.close()
        raise SiteHeldError(file) from fault
    return held


def take_lock(path: Path) -> int:
    """Take the lock beside the socket. The kernel drops it with the process, however that dies.

    Raises:
        SocketHeldError: another process has it.
    """
    lock = os.open(path.with_name(path.name + ".lock"), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as fault:
        os.close(lock)
        raise SocketHeldError(path) from fault
    return lock


def is_held(path: Path) -> bool:
    """Tell whether a process has the lock beside the socket now."""
    try:
        os.close(take_lock(path))
    except SocketHeldError:
        return True
    return False


def bind(path: Path) -> socket.socket:
    """Bind the socket with mode 0600, over a stale one of a process that died.

    Raises:
        SocketHeldError: somebody answers there.
    """
    line = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        if path.is_socket():
            _refuse_if_answered(path)
            path.unlink()
        elif path.is_symlink() and not path.exists():
            path.unlink()  # it leads nowhere any more
        before = os.umask(0o177)
        try:
            line.bind(str(path))
        finally:
            os.umask(before)
        line.setblocking(False)
    except BaseException:
        line.close()
        raise
    return line


def _refuse_if_answered(path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        probe.settimeout(0.5)
        try:
            probe.connect(str(path))
        except ConnectionRefusedError:
            return  # stale: whoever made it is dead
    raise SocketHeldError(path)
