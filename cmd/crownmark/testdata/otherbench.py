#!/usr/bin/env python3
"""A bench in another language, to test the daemon against bytes that are not our own.

Simulated. It opens two pseudo-terminals, prints their names, and turns a crank by
commands on standard input, answering "done" to each:

    stand N         the indicator stands on cylinder N
    turn DEG SPEED  turn by DEG degrees at about SPEED degrees a second
    quit

The encoder says its count (3600 a turn) a hundred times a second; the indicator
says signed millimetres twenty times a second, 35 ms late.
"""
import math
import os
import random
import sys
import time
import tty

STROKE, ROD, COUNTS = 80.0, 132.0, 3600
TOPS = {1: 0.0, 2: 180.0 + 0.37}  # cylinder 2 is 0.37 degrees late
LASH, LATENCY, ZERO_COUNT = 0.12, 0.035, 1234
random.seed(5)


def height(deg):
    """Piston below its top, by the law of cosines: rod, radius and the angle between."""
    r = STROKE / 2
    c = math.cos(math.radians(deg))
    # y solves rod^2 = r^2 + y^2 - 2 r y cos(angle)
    y = r * c + math.sqrt(ROD * ROD - r * r * (1 - c * c))
    return y - (r + ROD)


class Bench:
    def __init__(self):
        self.ports = [os.openpty(), os.openpty()]
        for _, slave in self.ports:
            tty.setraw(slave)
        for master, _ in self.ports:
            os.set_blocking(master, False)
        self.crank, self.encoder, self.cylinder = -120.0, -120.0, 0
        self.start = time.monotonic()
        self.next_count = self.next_height = 0.0
        self.pending = []

    def names(self):
        return [os.ttyname(s) for _, s in self.ports]

    def say(self, port, text):
        try:
            os.write(self.ports[port][0], text)
        except BlockingIOError:
            pass  # nobody reads it yet

    def tick(self):
        now = time.monotonic() - self.start
        if now >= self.next_count:
            self.next_count = now + 0.01
            count = ZERO_COUNT + math.floor(self.encoder * COUNTS / 360)
            self.say(0, b"%d\r\n" % count)
        if now >= self.next_height:
            self.next_height = now + 0.05
            self.pending.append((now + LATENCY, self.reading()))
        while self.pending and self.pending[0][0] <= now:
            self.say(1, self.pending.pop(0)[1])

    def reading(self):
        mm = -9.5
        if self.cylinder:
            mm = max(mm, height(self.crank - TOPS[self.cylinder]) + 0.05 + random.gauss(0, 0.0008))
        return b"%+011.3f mm\r\n" % mm

    def run(self, seconds, speed=lambda t: 0.0):
        begin = last = time.monotonic()
        while last - begin < seconds:
            time.sleep(0.001)
            now = time.monotonic()
            self.crank += speed(now - begin) * (now - last)
            half = LASH / 2
            self.encoder = min(max(self.encoder, self.crank - half), self.crank + half)
            last = now
            self.tick()

    def turn(self, deg, speed):
        way = math.copysign(1, deg)
        target = self.crank + deg
        while (target - self.crank) * way > 0.01:
            left = abs(target - self.crank)
            v = way * speed * min(1.0, 0.1 + left / 2)
            swing = random.uniform(0.7, 1.3)
            self.run(min(0.3, left / abs(v)), lambda t, v=v, s=swing: v * (1 + (s - 1) * math.sin(math.pi * min(1, t / 0.3))))


def main():
    bench = Bench()
    print(*bench.names(), flush=True)
    os.set_blocking(sys.stdin.fileno(), False)
    buffer = b""
    while True:
        bench.run(0.02)
        try:
            chunk = os.read(sys.stdin.fileno(), 4096)
            if not chunk:
                return
            buffer += chunk
        except BlockingIOError:
            continue
        while b"\n" in buffer:
            line, buffer = buffer.split(b"\n", 1)
            word, *args = line.decode().split()
            if word == "quit":
                return
            if word == "stand":
                bench.cylinder = int(args[0])
                bench.run(0.5)
            elif word == "turn":
                bench.turn(float(args[0]), float(args[1]))
                bench.run(0.6)
            print("done", flush=True)


main()
