"""A disk that forgets, when its power goes, whatever was written and not flushed.

QEMU's own disks do not: what the machine has written lies in this computer's page cache and
survives the machine. So the machine's disk is served over NBD from here, with its write cache in
memory. Source: the NBD protocol, github.com/NetworkBlockDevice/nbd/blob/master/doc/proto.md, from
memory: fixed newstyle negotiation, simple replies.
"""

import socket
import struct
import threading

OPTION_MAGIC = b"IHAVEOPT"
REPLY_MAGIC = 0x3E889045565A9
REQUEST_MAGIC, SIMPLE_REPLY_MAGIC = 0x25609513, 0x67446698
FIXED_NEWSTYLE, NO_ZEROES = 1, 2
EXPORT_NAME, ABORT, GO = 1, 2, 7
ACK, INFO, UNSUPPORTED = 1, 3, 2**31 + 1
HAS_FLAGS, SEND_FLUSH, SEND_FUA = 1, 4, 8
READ, WRITE, DISCONNECT, FLUSH = 0, 1, 2, 3
FUA = 1
INVALID = 22


class VolatileDisk:
    """One disk for one machine. `durable` is what is left of it once the power is gone."""

    def __init__(self, content, socket_path):
        self.durable = bytearray(content)
        self._seen = bytearray(content)
        self._unflushed = []
        self.flushes = 0
        self._listener = socket.socket(socket.AF_UNIX)
        self._listener.bind(str(socket_path))
        self._listener.listen(1)
        self._path = socket_path
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def blockdev(self):
        """The words of QEMU's `-blockdev` for it."""
        return f"driver=nbd,server.type=unix,server.path={self._path}"

    def cut(self):
        """Waits until the machine is gone; gives what the disk holds, and how much was lost."""
        self._thread.join(timeout=30)
        lost = sum(length for _, length in self._unflushed)
        return bytes(self.durable), lost

    def close(self):
        self._listener.close()

    def _serve(self):
        try:
            self._line, _ = self._listener.accept()
            with self._line:
                if self._negotiate():
                    while self._request():
                        pass
        except (OSError, EOFError):
            # The machine was killed: that is what this disk is for.
            pass

    def _read(self, count):
        data = b""
        while len(data) < count:
            more = self._line.recv(count - len(data))
            if not more:
                raise EOFError
            data += more
        return data

    def _negotiate(self):
        self._line.sendall(b"NBDMAGIC" + OPTION_MAGIC + struct.pack(">H", FIXED_NEWSTYLE | NO_ZEROES))
        self._read(4)
        size_and_flags = struct.pack(">QH", len(self._seen), HAS_FLAGS | SEND_FLUSH | SEND_FUA)
        while True:
            _, option, length = struct.unpack(">8sII", self._read(16))
            self._read(length)
            if option == EXPORT_NAME:
                self._line.sendall(size_and_flags)
                return True
            if option == GO:
                self._reply(option, INFO, struct.pack(">H", 0) + size_and_flags)
                self._reply(option, ACK)
                return True
            if option == ABORT:
                self._reply(option, ACK)
                return False
            self._reply(option, UNSUPPORTED)

    def _reply(self, option, kind, data=b""):
        self._line.sendall(struct.pack(">QIII", REPLY_MAGIC, option, kind, len(data)) + data)

    def _request(self):
        head = struct.unpack(">IHHQQI", self._read(28))
        _, flags, kind, cookie, offset, length = head
        error, answer = 0, b""
        if kind == DISCONNECT:
            return False
        if kind == READ:
            answer = bytes(self._seen[offset : offset + length])
        elif kind == WRITE:
            self._seen[offset : offset + length] = self._read(length)
            if flags & FUA:
                self._keep(offset, length)
            else:
                self._unflushed.append((offset, length))
        elif kind == FLUSH:
            for place in self._unflushed:
                self._keep(*place)
            self._unflushed = []
            self.flushes += 1
        else:
            error = INVALID
        self._line.sendall(struct.pack(">IIQ", SIMPLE_REPLY_MAGIC, error, cookie) + answer)
        return True

    def _keep(self, offset, length):
        self.durable[offset : offset + length] = self._seen[offset : offset + length]
