#!/usr/bin/python3
"""Two Modbus RTU instruments on one serial port, spoken by python3-pymodbus: to test against bytes not our own.

    modbusserver.py PORT

Unit 1, holding registers 0 and 1: int32, high word first. Unit 2, input registers 16 and 17: float32, low word first.
The n-th question, from 1, is answered by 1000 n - 70000 (unit 1) and by n / 8 - 20 (unit 2). Any other register is
refused. A pseudo-terminal has no parity bit, so it is asked for none. "ready" on standard output says that the port
is open.
"""
import asyncio
import struct
import sys

from pymodbus.datastore import ModbusSequentialDataBlock, ModbusServerContext, ModbusSlaveContext
from pymodbus.server.async_io import ModbusSerialServer
from pymodbus.transaction import ModbusRtuFramer


class Counting(ModbusSequentialDataBlock):
    """Two registers whose value depends on how often they were read."""

    def __init__(self, address, pack):
        super().__init__(address, [0, 0])
        self.n, self.pack = 0, pack

    def getValues(self, address, count=1):
        self.n += 1
        return self.pack(self.n)


def counts(n):
    return list(struct.unpack(">2H", struct.pack(">i", 1000 * n - 70000)))


def heights(n):
    high, low = struct.unpack(">2H", struct.pack(">f", n / 8 - 20))
    return [low, high]


async def main(port):
    nothing = ModbusSequentialDataBlock(0, [0])
    context = ModbusServerContext(slaves={
        1: ModbusSlaveContext(hr=Counting(0, counts), ir=nothing, co=nothing, di=nothing, zero_mode=True),
        2: ModbusSlaveContext(ir=Counting(16, heights), hr=nothing, co=nothing, di=nothing, zero_mode=True),
    }, single=False)
    server = ModbusSerialServer(context, framer=ModbusRtuFramer, port=port, baudrate=19200, parity="N")
    await server.start()
    if server.transport is None:
        sys.exit(f"{port} cannot be opened")
    print("ready", flush=True)
    await server.serve_forever()


asyncio.run(main(sys.argv[1]))
