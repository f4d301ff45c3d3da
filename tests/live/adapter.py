#!/usr/bin/env python3
"""A serial CAN adapter that is not there: the far end of a pseudo-terminal.

usage: adapter.py NAME BITRATE [listen-only]

Hands the terminal to the kernel's own driver for such adapters (the N_SLCAN line discipline),
names the interface that appears NAME, sets its bit rate and mode, brings it up and says
"ready". Then carries out standard input, a line each, and says "done" after each:

  frame 45D 01020304      a frame was received; "-" for no data
  error stuff|form|crc|ack|bit0|bit1|overrun
  state active|warning|passive|bus-off TRANSMIT RECEIVE     with the error counters
  unplug                  the terminal closes and the interface vanishes
  trunk BITRATE           from now on it is on a trunk: frames where it is set to that bit rate,
                          stuff errors where it is set to another
  opened                  says how it was opened so far, such as "listen-only 125000", with a
                          semicolon between, instead of "done"

So every error frame, counter and link state comes from the kernel's driver, as on a real bus.
Source of the serial grammar: linux/drivers/net/can/slcan/slcan-core.c (Linux 6.1).
"""
import fcntl
import os
import pty
import struct
import subprocess
import sys
import threading
import time
import tty

TIOCSETD = 0x5423  # asm-generic/ioctls.h
N_SLCAN = 17  # linux/tty.h
ARPHRD_CAN = "280"  # linux/if_arp.h

ERRORS = {"ack": "a", "bit0": "b", "bit1": "B", "crc": "c", "form": "f", "overrun": "o",
          "stuff": "s"}
STATES = {"active": "a", "warning": "w", "passive": "p", "bus-off": "b"}


def encode(words):
    """One command as what the adapter would say on its serial line."""
    match words:
        case ["frame", identifier, data]:
            data = data.replace("-", "")
            kind = "t" if len(identifier) == 3 else "T"
            return f"{kind}{identifier}{len(data) // 2}{data}"
        case ["error", cause]:
            return f"e1{ERRORS[cause]}"
        case ["state", state, transmit, receive]:
            # The driver reads the receive counter first.
            return f"s{STATES[state]}{int(receive):03}{int(transmit):03}"
    sys.exit(f"adapter.py: no such command: {words}")


def can_interfaces():
    def kind(name):
        try:
            with open(f"/sys/class/net/{name}/type") as file:
                return file.read().strip()
        except OSError:
            return ""  # gone meanwhile
    return {name for name in os.listdir("/sys/class/net") if kind(name) == ARPHRD_CAN}


class SetUp:
    """What the driver makes of the adapter: it waits until its commands have left."""

    RATES = {"S4": 125000, "S5": 250000, "S6": 500000}
    MODES = {"L": "listen-only", "O": "able-to-send"}

    def __init__(self):
        self.bitrate = None
        self.is_open = False
        self.opened = []

    def follow(self, terminal):
        rest = ""
        try:
            while more := os.read(terminal, 4096):
                *commands, rest = (rest + more.decode()).split("\r")
                for command in commands:
                    self.obey(command)
        except OSError:
            pass  # unplugged

    def obey(self, command):
        self.bitrate = self.RATES.get(command, self.bitrate)
        if command == "C":
            self.is_open = False
        if command in self.MODES:
            self.opened.append(f"{self.MODES[command]} {self.bitrate}")
            self.is_open = True


def play(terminal, trunk, setup):
    """A trunk that is busy."""
    try:
        while True:
            if setup.is_open:
                words = ["frame", "45D", "01020304"]
                if setup.bitrate != trunk:
                    words = ["error", "stuff"]
                os.write(terminal, encode(words).encode() + b"\r")
            time.sleep(0.02)
    except OSError:
        pass  # unplugged


def ip(*words):
    subprocess.run(["ip", "link", "set", *words], check=True)


def main():
    name, bitrate, *mode = sys.argv[1:]
    ours, drivers = pty.openpty()
    tty.setraw(ours)
    tty.setraw(drivers)
    before = can_interfaces()
    fcntl.ioctl(drivers, TIOCSETD, struct.pack("i", N_SLCAN))
    (made,) = can_interfaces() - before
    setup = SetUp()
    threading.Thread(target=setup.follow, args=(ours,), daemon=True).start()
    ip(made, "name", name)
    ip(name, "type", "can", "bitrate", bitrate, *(["listen-only", "on"] if mode else []))
    ip(name, "up")
    print("ready", flush=True)
    for line in sys.stdin:
        words = line.split()
        if words == ["unplug"]:
            os.close(drivers)
            os.close(ours)
            print("done", flush=True)
            return
        if words == ["opened"]:
            print("; ".join(setup.opened), flush=True)
            continue
        if words[0] == "trunk":
            trunk = (ours, int(words[1]), setup)
            threading.Thread(target=play, args=trunk, daemon=True).start()
            print("done", flush=True)
            continue
        os.write(ours, encode(words).encode() + b"\r")
        print("done", flush=True)


if __name__ == "__main__":
    main()
