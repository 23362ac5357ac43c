"""Many datagrams a system call: recvmmsg and sendmmsg through the C library, which Python does not offer. Rim.

A `Batch` is room for some datagrams in buffers laid out once; a call costs one small copy of prepared headers. The
calls never wait, and hold the interpreter's lock, being short: no other thread comes between a packet and its
handling. Only octets and lengths here; addresses are the kernel's structures (socket_address.py), ancillary data is
read by cmsg.py.
"""

from __future__ import annotations

import ctypes
import errno
import mmap
import os
import socket

from noonmark.agent.socket_address import LONGEST as LONGEST_ADDRESS


class _Vector(ctypes.Structure):
    """struct iovec."""

    _fields_ = (("base", ctypes.c_void_p), ("length", ctypes.c_size_t))


class _Header(ctypes.Structure):
    """struct msghdr."""

    _fields_ = (
        ("name", ctypes.c_void_p),
        ("name_length", ctypes.c_uint32),
        ("vectors", ctypes.c_void_p),
        ("vector_count", ctypes.c_size_t),
        ("control", ctypes.c_void_p),
        ("control_length", ctypes.c_size_t),
        ("flags", ctypes.c_uint32),
    )


class _Message(ctypes.Structure):
    """struct mmsghdr."""

    _fields_ = (("header", _Header), ("length", ctypes.c_uint32))


_library = ctypes.PyDLL(None, use_errno=True)
_receive, _send = _library.recvmmsg, _library.sendmmsg
# No argument types are declared: checking them would cost as much as the rest of a call. Small integers go as C ints by
# themselves; the one pointer is a pointer object made beforehand.

MSG_DONTWAIT = int(socket.MSG_DONTWAIT)
MSG_TRUNC = int(socket.MSG_TRUNC)
_NOTHING_THERE = (errno.EAGAIN, errno.EINTR)
_STRIDE = ctypes.sizeof(_Message)
_WORD = ctypes.sizeof(ctypes.c_ulong)
# Places in the array of messages, counted in 32-bit numbers and in words of the machine.
_INTS, _WORDS = _STRIDE // 4, _STRIDE // _WORD
_NAME_LENGTH, _FLAGS, _LENGTH = (
    place // 4 for place in (_Header.name_length.offset, _Header.flags.offset, _Message.length.offset)
)
_CONTROL_LENGTH = _Header.control_length.offset // _WORD


def _address_of(buffer: bytearray | mmap.mmap) -> int:
    return ctypes.addressof((ctypes.c_char * len(buffer)).from_buffer(buffer))


class Batch:
    """Room for `size` datagrams of up to `data_length` octets, with their addresses and ancillary data."""

    def __init__(self, size: int, data_length: int, control_length: int) -> None:
        self.size = size
        self.data_length = data_length
        self.control_length = control_length
        # Mapped, so that pages which no datagram reaches take no memory.
        self.data = mmap.mmap(-1, size * data_length)
        self.control = bytearray(size * control_length)
        self._names = bytearray(size * LONGEST_ADDRESS)
        self._vectors = (_Vector * size)()
        self._messages = (_Message * size)()
        data, control, names = _address_of(self.data), _address_of(self.control), _address_of(self._names)
        for slot in range(size):
            vector = self._vectors[slot]
            vector.base, vector.length = data + slot * data_length, data_length
            header = self._messages[slot].header
            header.name, header.name_length = names + slot * LONGEST_ADDRESS, LONGEST_ADDRESS
            header.vectors, header.vector_count = ctypes.addressof(vector), 1
            header.control, header.control_length = control + slot * control_length, control_length
        self._data_view, self._names_view = memoryview(self.data), memoryview(self._names)
        self._raw = memoryview(self._messages).cast("B")
        self._ints, self._words = self._raw.cast("I"), self._raw.cast("L")
        self._vector_words = memoryview(self._vectors).cast("B").cast("L")
        self._prepared = bytes(self._raw)
        start = ctypes.addressof(self._messages)
        self._from_slot = [ctypes.c_void_p(start + slot * _STRIDE) for slot in range(size)]

    def receive(self, descriptor: int, flags: int = 0) -> int:
        """Fill the slots with what is there; how many. Raises OSError if the socket failed."""
        self._raw[:] = self._prepared
        count: int = _receive(descriptor, self._from_slot[0], self.size, MSG_DONTWAIT | flags, None)
        if count >= 0:
            return count
        number = ctypes.get_errno()
        if number in _NOTHING_THERE:
            return 0
        raise OSError(number, os.strerror(number))

    def datagrams(self, count: int) -> list[tuple[bytes, bytes, bool, int, int]]:
        """What was received: octets, sender's address, whether there were more octets than room, and where in
        `control` the ancillary data starts and how long it is.
        """
        data, names, ints = self._data_view, self._names_view, self._ints
        found = []
        start = name = message = 0
        for place, length in self.controls(count):
            octets = bytes(data[start : start + ints[message + _LENGTH]])
            address = bytes(names[name : name + ints[message + _NAME_LENGTH]])
            found.append((octets, address, ints[message + _FLAGS] & MSG_TRUNC != 0, place, length))
            start += self.data_length
            name += LONGEST_ADDRESS
            message += _INTS
        return found

    def controls(self, count: int) -> list[tuple[int, int]]:
        """Where in `control` each received datagram's ancillary data starts, and how long it is."""
        words, room = self._words, self.control_length
        return [(slot * room, words[slot * _WORDS + _CONTROL_LENGTH]) for slot in range(count)]

    def put(self, index: int, data: bytes, name: bytes, control: bytes = b"") -> None:
        """Fill a slot to be sent. Raises OSError (EMSGSIZE) for what the room cannot hold."""
        if len(data) > self.data_length or len(control) > self.control_length:
            raise OSError(errno.EMSGSIZE, os.strerror(errno.EMSGSIZE))
        start = index * self.data_length
        self.data[start : start + len(data)] = data
        self._vector_words[2 * index + 1] = len(data)
        start = index * LONGEST_ADDRESS
        self._names[start : start + len(name)] = name
        self._ints[index * _INTS + _NAME_LENGTH] = len(name)
        if control:
            start = index * self.control_length
            self.control[start : start + len(control)] = control
        self._words[index * _WORDS + _CONTROL_LENGTH] = len(control)

    def send(self, descriptor: int, first: int, count: int) -> int:
        """Send the slots from `first` on; how many went before one could not. Raises OSError if it is the first."""
        sent: int = _send(descriptor, self._from_slot[first], count, MSG_DONTWAIT)
        if sent < 0:
            number = ctypes.get_errno()
            raise OSError(number, os.strerror(number))
        return sent
