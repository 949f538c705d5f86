"""A SCPI instrument on a TCP port of its own that measures an invented four-cylinder engine.

Run as a process: prints its port, then serves one client after another. Answers *IDN?, RATE, RATE?,
ARM, READY?, DATA? n (IEEE 488.2 definite length block, int16, big endian), SCALE? n, POS?, BOOT.
"""

import math
import socketserver
import struct
import sys

RATE = 10_000.0
COUNT = 2_000
VOLTS_PER_COUNT = 1e-4


class Engine(socketserver.StreamRequestHandler):
    """One connection."""

    def handle(self) -> None:
        rate, position = RATE, 0
        for line in self.rfile:
            words = line.decode("ascii").split()
            if not words:
                continue
            command, *rest = words
            if command == "*IDN?":
                self.say("Invented,SCPI engine,0,1")
            elif command == "RATE":
                rate = min(float(rest[0]), 20_000.0)
            elif command == "RATE?":
                self.say(f"{rate:.6g}")
            elif command in ("ARM", "NEXT"):
                position = 0 if command == "ARM" else position + COUNT
            elif command == "READY?":
                self.say("1")
            elif command == "SCALE?":
                self.say(f"{VOLTS_PER_COUNT:g}")
            elif command == "POS?":
                self.say(str(position))
            elif command == "DATA?":
                self.block(int(rest[0]), position, rate)
            elif command == "BOOT":
                return

    def block(self, channel: int, position: int, rate: float) -> None:
        values = []
        for i in range(position, position + COUNT):
            cycle = i / rate * 750.0 / 120.0 % 1.0
            if channel == 1:
                volts = math.exp(8.0 * (math.cos(2 * math.pi * (4 * cycle - 0.3)) - 1.0))
            elif channel == 2:
                volts = 0.5 * math.sin(2 * math.pi * 4 * cycle)
            else:
                volts = 2.0 if cycle < 0.01 else 0.0
            values.append(round(volts / VOLTS_PER_COUNT))
        data = struct.pack(f">{COUNT}h", *values)
        size = str(len(data))
        self.wfile.write(f"#{len(size)}{size}".encode() + data + b"\n")

    def say(self, text: str) -> None:
        self.wfile.write(text.encode("ascii") + b"\n")


class Server(socketserver.ThreadingTCPServer):
    allow_reuse_address = True
    daemon_threads = True


if __name__ == "__main__":
    with Server(("127.0.0.1", 0), Engine) as server:
        print(server.server_address[1], flush=True)
        server.serve_forever()
        sys.exit(0)
