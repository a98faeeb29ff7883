#!/usr/bin/env python3
"""What the daemon takes for many loggers at once, and whether slow and hostile clients make their samples late.

    cargo build --release
    python3 tests/bench/loggers.py [--loggers 8] [--seconds 20] [--clients 200] [--program target/release/foldwatch]

Each logger, at a pseudo-terminal of its own, sends a block of 50 rows every 100 ms: 500 rows a second of 16 signals (11
states, 5 numbers), in the text form. Taken is the processor's time of the daemon
for ten seconds, and how long from before a block is written to its acknowledgement, which comes once it is on disk; first
alone, then with clients beside that say half a head, say a byte now and then, take nothing of an answer, or send rubbish.
All of it on loopback; it ends by itself. Nothing fails by time.
"""

import argparse
import os
import pathlib
import pty
import re
import select
import socket
import subprocess
import tempfile
import threading
import time
import tty

from latency import EPOCH, NUMBERS, STATES, TOP, line

ROWS = 50
STATES = STATES[:11]


def block(number, n, at):
    rows = " ".join(f"{n * 7 % 9000 + i},{1500 + i % 7},1260,2000,18000" for i in range(ROWS))
    return line(f"block {number:08X}.1.{n + 2} t={at} dt=2000 levels=0 {rows}")


class Logger(threading.Thread):
    """Sends for so many seconds and hears what is acknowledged."""

    def __init__(self, number, master, seconds):
        super().__init__(daemon=True)
        self.number, self.master, self.seconds = number, master, seconds
        self.sent, self.late, self.heard, self.up_to = {}, [], b"", 1

    def hear(self, until):
        while (left := until - time.perf_counter()) > 0:
            if select.select([self.master], [], [], left)[0]:
                self.heard += os.read(self.master, 65536)
                *lines, self.heard = self.heard.split(b"\n")
                for said in re.findall(rb"host-ack \w+ boot=1 to=(\d+)", b"\n".join(lines)):
                    now, to = time.perf_counter(), int(said)
                    for sequence in range(self.up_to + 1, to + 1):
                        if sequence in self.sent:
                            self.late.append(now - self.sent[sequence])
                    self.up_to = max(self.up_to, to)

    def run(self):
        signals = " ".join([f"{s}:state::1e0" for s in STATES] + [f"{n}:number:{u}:1e-2" for n, u in NUMBERS])
        os.write(self.master, b"\n" + line(f"hello {self.number:08X}.1.0 v=1 t=0 clock=us64 epoch={EPOCH} dt=2000 "
                                           f"name=bench firmware=1 {signals}"))
        os.write(self.master, line(f"end {self.number:08X}.1.1 t=1"))
        begun = time.perf_counter() + self.number * 0.0125
        for n in range(self.seconds * 10):
            self.hear(begun + n * 0.1)
            text = block(self.number, n, 1000 + n * 100_000)
            self.sent[n + 2] = time.perf_counter()
            while text:
                text = text[os.write(self.master, text):]
        self.hear(time.perf_counter() + 2)


def bother(address, kind, stop):
    """One client of a kind, again and again until it is over."""
    while not stop.is_set():
        try:
            with socket.create_connection(address, 2) as client:
                client.settimeout(1)
                if kind == 0:
                    client.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\nX-Half: ")
                    stop.wait(3)
                elif kind == 1:
                    for byte in b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n":
                        client.sendall(bytes([byte]))
                        if stop.wait(0.3):
                            break
                elif kind == 2:
                    client.sendall(b"GET /api/v1/cars/car-1/live HTTP/1.1\r\nHost: localhost\r\n\r\n")
                    stop.wait(5)
                else:
                    client.sendall(os.urandom(512))
                    stop.wait(0.5)
        except OSError:
            stop.wait(0.2)


def processor(pid):
    fields = pathlib.Path(f"/proc/{pid}/stat").read_text().rsplit(") ", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def measure(args, clients):
    ends = [pty.openpty() for _ in range(args.loggers)]
    with tempfile.TemporaryDirectory() as folder:
        settings = pathlib.Path(folder, "foldwatch.toml")
        profile = TOP / "config/profiles/hardtop-five.toml"
        text = "".join(f'[[port]]\nname = "{os.ttyname(slave)}"\n' for _, slave in ends)
        text += "".join(f'[[car]]\nid = "car-{n}"\nprofile = "{profile}"\nloggers = ["{n:08X}"]\n'
                        for n in range(1, args.loggers + 1))
        settings.write_text(text)
        for _, slave in ends:
            tty.setraw(slave)
        daemon = subprocess.Popen([args.program, "serve", "--config", str(settings), "--data", folder + "/data", "--listen",
                                   "127.0.0.1:0"], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
                                  env={**os.environ, "FOLDWATCH_LOG": "error"})
        host, port = daemon.stdout.readline().strip().removeprefix("http://").strip("/").split(":")
        stop = threading.Event()
        for n in range(clients):
            threading.Thread(target=bother, args=((host, int(port)), n % 4, stop), daemon=True).start()
        time.sleep(2)
        loggers = [Logger(n, master, args.seconds) for n, (master, _) in enumerate(ends, 1)]
        before, begun = processor(daemon.pid), time.perf_counter()
        for logger in loggers:
            logger.start()
        for logger in loggers:
            logger.join()
        took, passed = processor(daemon.pid) - before, time.perf_counter() - begun
        stop.set()
        daemon.terminate()
        daemon.wait()
    for end in ends:
        for side in end:
            os.close(side)
    late = sorted(late for logger in loggers for late in logger.late)
    sent = args.loggers * args.seconds * 10
    print(f"{args.loggers} loggers, {clients} clients beside: {took / passed * 10:.2f} core-seconds for ten seconds; "
          f"{len(late)} of {sent} blocks acknowledged")
    shares = {q: late[min(len(late) - 1, int(q * len(late)))] * 1e3 for q in (0.5, 0.99, 1.0)} if late else {}
    print("  block to acknowledgement: " + ", ".join(f"p{q * 100:g} {ms:.0f} ms" for q, ms in shares.items()))
    return shares.get(0.99)


def main():
    args = argparse.ArgumentParser()
    args.add_argument("--loggers", type=int, default=8)
    args.add_argument("--seconds", type=int, default=20)
    args.add_argument("--clients", type=int, default=200)
    args.add_argument("--program", default=str(TOP / "target/release/foldwatch"))
    args = args.parse_args()
    alone = measure(args, 0)
    beside = measure(args, args.clients)
    if alone and beside:
        print(f"p99 beside clients over p99 alone: {beside / alone:.2f}")


main()
