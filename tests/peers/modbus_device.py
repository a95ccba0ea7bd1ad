"""A Modbus device played by pymodbus, so that the station is not tested against its own echo.

Serves input and holding registers over TCP or a serial port. The registers are a known function of
how many reads there have been, and every answer is logged as it leaves, one JSON object a line:

    {"n": 7, "at": 1700000000.25, "unit": 1, "function": 4, "registers": [112, 65423, ...]}

`n` counts the answers of all units, `registers` are the words that pymodbus put on the wire. Says
`ready` on standard output once it serves, followed by the port number where it is TCP.

    python modbus_device.py --tcp --log served.jsonl
    python modbus_device.py --serial PATH --settings "19200 8E1" --units 1 2 --log served.jsonl
"""

import argparse
import asyncio
import json
import time

from pymodbus import FramerType, ModbusDeviceIdentification
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

REGISTERS_MAX = 125
"""Registers in one answer at most: Modbus Application Protocol Specification V1.1b3, 6.4."""


def register(read: int, index: int) -> int:
    """The word in register `index` at the `read`-th read: it names both, and odd registers are negative.

    Stays within 9.9 V either way where a count is 1 mV.
    """
    magnitude = (read % 600) * 16 + index % 16 + 100
    return (-magnitude if index % 2 else magnitude) & 0xFFFF


class Device:
    """One unit with its count of reads."""

    def __init__(self, unit: int, registers: int):
        self.reads = 0
        self.simulated = SimDevice(
            id=unit,
            simdata=[SimData(0, count=registers, values=0, datatype=DataType.REGISTERS)],
            action=self.before_read,
        )

    async def before_read(self, _function, start, address, count, registers, written):
        """Lays out the registers that this read will see."""
        if written is not None:
            return None
        for index in range(address, address + count):
            registers[index - start] = register(self.reads, index)
        self.reads += 1
        return None


class Log:
    """What has left the device, line by line."""

    def __init__(self, path: str):
        self.file = open(path, "a", buffering=1, encoding="utf-8")
        self.count = 0

    def trace(self, sending: bool, pdu):
        """Called by pymodbus with every message, in both directions."""
        if sending and getattr(pdu, "registers", None):
            entry = {
                "n": self.count,
                "at": time.time(),
                "unit": pdu.dev_id,
                "function": pdu.function_code,
                "registers": list(pdu.registers),
            }
            self.file.write(json.dumps(entry) + "\n")
            self.count += 1
        return pdu


def read_arguments():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    way = parser.add_mutually_exclusive_group(required=True)
    way.add_argument("--tcp", action="store_true", help="listen on a free port of the loopback")
    way.add_argument("--serial", metavar="PATH", help="serve RTU on this port")
    parser.add_argument("--settings", default="19200 8E1", help="speed, bits, parity, stop bits")
    parser.add_argument("--units", type=int, nargs="+", default=[1])
    parser.add_argument("--registers", type=int, default=REGISTERS_MAX)
    parser.add_argument("--identity", action="store_true", help="answer function 43/14")
    parser.add_argument("--revision", default="1.0", help="what it says its revision is")
    parser.add_argument("--log", required=True, help="file for the answers, one JSON object a line")
    return parser.parse_args()


def identity(arguments):
    """What the device says it is (MODBUS Application Protocol V1.1b3, 6.21), or nothing."""
    if not arguments.identity:
        return None
    return ModbusDeviceIdentification(
        info_name={"VendorName": "An outside peer", "ProductCode": "P-16", "MajorMinorRevision": arguments.revision}
    )


def make_server(arguments, devices, log: Log):
    simulated = [device.simulated for device in devices]
    if arguments.tcp:
        return ModbusTcpServer(simulated, address=("127.0.0.1", 0), identity=identity(arguments), trace_pdu=log.trace)
    baud, frame = arguments.settings.split()
    return ModbusSerialServer(
        simulated,
        framer=FramerType.RTU,
        port=arguments.serial,
        baudrate=int(baud),
        bytesize=int(frame[0]),
        parity=frame[1],
        stopbits=int(frame[2]),
        identity=identity(arguments),
        trace_pdu=log.trace,
    )


async def serve(arguments):
    devices = [Device(unit, arguments.registers) for unit in arguments.units]
    server = make_server(arguments, devices, Log(arguments.log))
    await server.serve_forever(background=True)
    port = server.transport.sockets[0].getsockname()[1] if arguments.tcp else ""
    print("ready", port, flush=True)
    await server.serving


if __name__ == "__main__":
    try:
        asyncio.run(serve(read_arguments()))
    except KeyboardInterrupt:
        pass
