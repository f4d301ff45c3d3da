"""A block device whose writes are lost in a power cut unless they were flushed, as in a disk with a
cache of its own. It speaks the kernel's network block device protocol (Documentation/admin-guide/
blockdev/nbd.rst; the protocol's own text, "NBD protocol") over a socket pair.

  disk.py DEVICE IMAGE    the disk holds what IMAGE holds; says "ready"

Then, line by line on standard input, each answered by "done":

  cut none FILE   writes what is there after a power cut
  cut some FILE   the same, where by chance some of what was not flushed is there too
  slow SECONDS    from now on a write takes so long, and a flush
"""

import fcntl
import random
import socket
import struct
import sys
import threading
import time

NBD_SET_SOCK, NBD_SET_BLKSIZE, NBD_DO_IT = 0xAB00, 0xAB01, 0xAB03
NBD_CLEAR_SOCK, NBD_SET_SIZE_BLOCKS, NBD_SET_FLAGS = 0xAB04, 0xAB07, 0xAB0A
HAS_FLAGS, SEND_FLUSH, SEND_FUA = 1, 4, 8
READ, WRITE, DISCONNECT, FLUSH = range(4)
FORCE_UNIT_ACCESS = 1 << 16
BLOCK = 512


class Disk:
    def __init__(self, content):
        self.now = bytearray(content)
        # What outlives a power cut, and what may: written, not flushed.
        self.safe = bytearray(content)
        self.pending = []
        self.lock = threading.Lock()
        self.delay = 0.0

    def write(self, at, data, at_once):
        with self.lock:
            self.now[at : at + len(data)] = data
            if at_once:
                self.safe[at : at + len(data)] = data
            self.pending.append((at, data))

    def flush(self):
        with self.lock:
            for at, data in self.pending:
                self.safe[at : at + len(data)] = data
            self.pending.clear()

    def cut(self, some):
        """What is left: all that was flushed, and by chance some of the rest."""
        with self.lock:
            left = bytearray(self.safe)
            if some:
                for at, data in self.pending:
                    if random.random() < 0.5:
                        left[at : at + len(data)] = data
            return left


def received(link, count):
    data = bytearray()
    while len(data) < count:
        more = link.recv(count - len(data))
        if not more:
            return None
        data += more
    return bytes(data)


def serve(link, disk):
    while head := received(link, 28):
        magic, what, handle, at, count = struct.unpack(">II8sQI", head)
        assert magic == 0x25609513
        kind, data = what & 0xFFFF, b""
        if kind == DISCONNECT:
            return
        if kind in (WRITE, FLUSH):
            time.sleep(disk.delay)
        if kind == READ:
            with disk.lock:
                data = bytes(disk.now[at : at + count])
        elif kind == WRITE:
            disk.write(at, received(link, count), what & FORCE_UNIT_ACCESS)
        elif kind == FLUSH:
            disk.flush()
        link.sendall(struct.pack(">II8s", 0x67446698, 0, handle) + data)


def main():
    device, image = sys.argv[1:]
    with open(image, "rb") as file:
        disk = Disk(file.read())
    ours, theirs = socket.socketpair()
    block_device = open(device, "rb+", buffering=0)
    fcntl.ioctl(block_device, NBD_SET_BLKSIZE, BLOCK)
    fcntl.ioctl(block_device, NBD_SET_SIZE_BLOCKS, len(disk.now) // BLOCK)
    fcntl.ioctl(block_device, NBD_CLEAR_SOCK)
    fcntl.ioctl(block_device, NBD_SET_FLAGS, HAS_FLAGS | SEND_FLUSH | SEND_FUA)
    fcntl.ioctl(block_device, NBD_SET_SOCK, theirs.fileno())
    for work in (lambda: serve(ours, disk), lambda: fcntl.ioctl(block_device, NBD_DO_IT)):
        threading.Thread(target=work, daemon=True).start()
    print("ready", flush=True)
    random.seed(1)
    for line in sys.stdin:
        what, *how = line.split()
        if what == "slow":
            disk.delay = float(how[0])
        else:
            with open(how[1], "wb") as file:
                file.write(disk.cut(how[0] == "some"))
        print("done", flush=True)


main()
