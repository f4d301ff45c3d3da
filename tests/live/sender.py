#!/usr/bin/env python3
"""Sends CAN frames with Python's own socket module, independent of the code under test. A flood
goes through the C library's sendmmsg, 250 frames a call, since Python is too slow for it
where it is emulated.

usage: sender.py INTERFACE                 frames from standard input, a line each:
           45D 01020304                    data, "-" for none; eight digits: 29-bit identifier
           45D remote 4                    a remote frame with its length code
           error 00000088 0000040000000000
       each answered by the times before and after sending it, nanoseconds since 1970
       sender.py INTERFACE flood COUNT PER_SECOND numbers|polls
                                           frame n carries n; polls: of 32 nodes, each with its
                                           response; ends after three times the time that it
                                           should take; "ready", then "done COUNT SECONDS"
"""
import ctypes
import socket
import struct
import sys
import time

FRAME = struct.Struct("=IB3x8s")  # struct can_frame, linux/can.h


def encode(words):
    match words:
        case ["error", classes, data]:
            return FRAME.pack(int(classes, 16) | socket.CAN_ERR_FLAG, 8, bytes.fromhex(data))
        case [identifier, "remote", length]:
            flags, length, data = socket.CAN_RTR_FLAG, int(length), b""
        case [identifier, data]:
            flags, data = 0, bytes.fromhex(data.replace("-", ""))
            length = len(data)
    if len(identifier) == 8:
        flags |= socket.CAN_EFF_FLAG
    return FRAME.pack(int(identifier, 16) | flags, length, data)


class Part(ctypes.Structure):
    """struct iovec, sys/uio.h."""
    _fields_ = [("base", ctypes.c_void_p), ("length", ctypes.c_size_t)]


class Header(ctypes.Structure):
    """struct msghdr, sys/socket.h."""
    _fields_ = [("name", ctypes.c_void_p), ("name_length", ctypes.c_uint32),
                ("parts", ctypes.POINTER(Part)), ("part_count", ctypes.c_size_t),
                ("control", ctypes.c_void_p), ("control_length", ctypes.c_size_t),
                ("flags", ctypes.c_int)]


class Message(ctypes.Structure):
    """struct mmsghdr, sys/socket.h."""
    _fields_ = [("header", Header), ("sent", ctypes.c_uint)]


def number(n):
    return FRAME.pack(0x400 | n & 0x1FF, 8, n.to_bytes(8, "big"))


def poll(n):
    """A command to a node or its response (IEC 62026-3: Group 2 message 5, Group 1 message F)."""
    node = 1 + n // 2 % 32
    identifier = 0x3C0 | node if n % 2 else 0x405 | node << 3
    return FRAME.pack(identifier, 4, n.to_bytes(4, "little"))


class Salvo:
    """Frames made beforehand; many of them go in one call."""

    SIZE = 250

    def __init__(self, bus, count, frame):
        self.bus = bus
        self.send = ctypes.CDLL(None, use_errno=True).sendmmsg
        self.frames = ctypes.create_string_buffer(b"".join(map(frame, range(count))))
        self.staged = ctypes.create_string_buffer(FRAME.size * self.SIZE)
        base = ctypes.addressof(self.staged)
        self.parts = (Part * self.SIZE)(
            *(Part(base + FRAME.size * n, FRAME.size) for n in range(self.SIZE)))
        self.messages = (Message * self.SIZE)()
        for message, part in zip(self.messages, self.parts):
            message.header.parts, message.header.part_count = ctypes.pointer(part), 1

    def fire(self, first, count):
        """Sends `count` frames from `first` on, or as many as one call takes; returns how many."""
        count = min(count, self.SIZE)
        ctypes.memmove(self.staged, ctypes.byref(self.frames, FRAME.size * first),
                       FRAME.size * count)
        sent = self.send(self.bus.fileno(), self.messages, count, 0)
        if sent < 0:
            raise OSError(ctypes.get_errno(), "sendmmsg")
        return sent


def flood(bus, count, per_second, frame):
    salvo = Salvo(bus, count, frame)
    print("ready", flush=True)
    start = time.monotonic()
    limit = start + 3 * count / per_second
    sent = 0
    while sent < count and time.monotonic() < limit:
        due = min(count, int((time.monotonic() - start) * per_second) + 1) - sent
        if due > 0:
            sent += salvo.fire(sent, due)
        if due < Salvo.SIZE:
            time.sleep(0.0005)
    print("done", sent, f"{time.monotonic() - start:.3f}", flush=True)


def main():
    interface, *rest = sys.argv[1:]
    bus = socket.socket(socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW)
    bus.bind((interface,))
    if rest:
        flood(bus, int(rest[1]), int(rest[2]), {"numbers": number, "polls": poll}[rest[3]])
        return
    print("ready", flush=True)
    for line in sys.stdin:
        frame = encode(line.split())
        before = time.time_ns()
        bus.send(frame)
        print(before, time.time_ns(), flush=True)


if __name__ == "__main__":
    main()
