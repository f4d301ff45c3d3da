#!/usr/bin/env python3
"""Sends CAN frames with Python's own socket module, independent of the code under test.

usage: sender.py INTERFACE                 frames from standard input, a line each:
           45D 01020304                    data, "-" for none; eight digits: 29-bit identifier
           45D remote 4                    a remote frame with its length code
           error 00000088 0000040000000000
       each answered by the times before and after sending it, nanoseconds since 1970
       sender.py INTERFACE flood COUNT PER_SECOND
                                           frame n carries n; ends after three times the time
                                           that it should take; answered by "done COUNT SECONDS"
"""
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


def flood(bus, count, per_second):
    start = time.monotonic()
    limit = start + 3 * count / per_second
    sent = 0
    while sent < count and time.monotonic() < limit:
        due = min(count, sent + 1000, int((time.monotonic() - start) * per_second) + 1)
        for number in range(sent, due):
            bus.send(FRAME.pack(0x400 | (number & 0x1FF), 8, struct.pack(">Q", number)))
        sent = max(sent, due)
        time.sleep(0.0005)
    print("done", sent, f"{time.monotonic() - start:.3f}", flush=True)


def main():
    interface, *rest = sys.argv[1:]
    bus = socket.socket(socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW)
    bus.bind((interface,))
    if rest:
        flood(bus, int(rest[1]), int(rest[2]))
        return
    print("ready", flush=True)
    for line in sys.stdin:
        frame = encode(line.split())
        before = time.time_ns()
        bus.send(frame)
        print(before, time.time_ns(), flush=True)


if __name__ == "__main__":
    main()
