#!/usr/bin/env python3
"""How long from a byte on the port to the event in a browser's stream, at 500 rows a second.

    cargo build --release
    python3 tests/bench/latency.py [--seconds 30] [--program target/release/foldwatch]

A logger at one end of a pseudo-terminal sends a block of ten rows every 20 ms (16 states, 5 numbers, text form, the
roof moving half of the time), the daemon is at the other, and a reader holds the event stream of the car. Taken is the
time from before a block is written to when the event with its last row has arrived. Nothing fails by time.
"""

import argparse
import json
import os
import pathlib
import pty
import socket
import subprocess
import tempfile
import threading
import time
import tty

TOP = pathlib.Path(__file__).resolve().parents[2]
EPOCH = 1_790_000_000_000_000
STATES = ["open_button", "close_button", "pump", "valve_a", "valve_b", "front_locked", "front_unlocked", "lid_latched",
          "lid_latched_left", "lid_open", "roof_up", "roof_stowed", "luggage_latched", "blind_set", "windows_down",
          "standstill"]
NUMBERS = [("pressure", "bar"), ("pump_current", "A"), ("supply", "V"), ("oil_temperature", "degC"), ("lock_lever", "deg")]


def crc(text):
    value = 0xFFFF
    for byte in text.encode():
        value ^= byte << 8
        for _ in range(8):
            value = (value << 1 ^ 0x1021 if value & 0x8000 else value << 1) & 0xFFFF
    return value


assert crc("123456789") == 0x29B1  # the CRC's published check value


def line(text):
    return f"{text} #{crc(text):04X}\n".encode()


def main():
    args = argparse.ArgumentParser()
    args.add_argument("--seconds", type=float, default=30)
    args.add_argument("--program", default=str(TOP / "target/release/foldwatch"))
    args = args.parse_args()
    master, slave = pty.openpty()
    tty.setraw(slave)
    with tempfile.TemporaryDirectory() as data:
        daemon = subprocess.Popen(
            [args.program, "serve", "--data", data, "--port", os.ttyname(slave), "--car", "oak", "--profile",
             "hardtop-five", "--listen", "127.0.0.1:0"],
            stdout=subprocess.PIPE, env={**os.environ, "FOLDWATCH_LOG": "warn"}, text=True)
        host, port = daemon.stdout.readline().strip().removeprefix("http://").strip("/").split(":")
        stream = socket.create_connection((host, int(port)))
        stream.sendall(b"GET /api/v1/cars/oak/live HTTP/1.1\r\nHost: localhost\r\n\r\n")
        threading.Thread(target=lambda: drain(master), daemon=True).start()
        sent, arrived = {}, {}
        threading.Thread(target=lambda: listen(stream, arrived), daemon=True).start()
        time.sleep(1)
        signals = " ".join([f"{s}:state::1e0" for s in STATES] + [f"{n}:number:{u}:1e-2" for n, u in NUMBERS])
        os.write(master, b"\n" + line(
            f"hello 0000002A.1.0 v=1 t=0 clock=us64 epoch={EPOCH} dt=2000 name=bench firmware=1 {signals}"))
        os.write(master, line("end 0000002A.1.1 t=1"))
        begun = time.perf_counter()
        blocks = int(args.seconds / 0.02)
        for n in range(blocks):
            due = begun + n * 0.02
            while (left := due - time.perf_counter()) > 0:
                time.sleep(left)
            at = 1000 + n * 20_000
            moving = n // 250 % 2
            rows = " ".join(f"{moving * 9000 + i},{moving * 2000 + n % 7},1260,2000,18000" for i in range(10))
            text = line(f"block 0000002A.1.{n + 2} t={at} dt=2000 levels={0xD8E8 | moving * 4:X} {rows}")
            sent[EPOCH + at + 9 * 2000] = time.perf_counter()
            os.write(master, text)
        time.sleep(1)
        daemon.kill()
    took = sorted((arrived[at] - when) * 1e3 for at, when in sent.items() if at in arrived)
    missed = len(sent) - len(took)
    print(f"{len(sent)} blocks, {missed} not at the end of an event of their own (two blocks in one event)")
    for q in (0.5, 0.9, 0.99, 1.0):
        print(f"  p{q * 100:g}: {took[min(len(took) - 1, int(q * len(took)))]:.1f} ms")


def drain(master):
    while True:
        try:
            os.read(master, 4096)
        except OSError:
            return


def listen(stream, arrived):
    kept = b""
    while True:
        got = stream.recv(65536)
        now = time.perf_counter()
        if not got:
            return
        kept += got
        while b"\n\n" in kept:
            event, kept = kept.split(b"\n\n", 1)
            if b"event: samples" in event:
                data = event.split(b"data: ", 1)[1].split(b"\r\n")[0].split(b"\n")[0]
                last = json.loads(data)["times_s"][-1]
                arrived[round(last * 1e6)] = now


if __name__ == "__main__":
    main()
