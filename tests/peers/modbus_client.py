"""Reads registers with pymodbus as the master, and prints each answer as a JSON list.

    python modbus_client.py --tcp HOST:PORT --unit 1 --count 16 --times 5
    python modbus_client.py --serial PATH --unit 1 --count 16 --times 5
"""

import argparse
import json
import sys

from pymodbus.client import ModbusSerialClient, ModbusTcpClient


def read_arguments():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    way = parser.add_mutually_exclusive_group(required=True)
    way.add_argument("--tcp", metavar="HOST:PORT")
    way.add_argument("--serial", metavar="PATH")
    parser.add_argument("--unit", type=int, required=True)
    parser.add_argument("--count", type=int, required=True)
    parser.add_argument("--times", type=int, required=True)
    return parser.parse_args()


def make_client(arguments):
    if arguments.tcp:
        host, port = arguments.tcp.rsplit(":", 1)
        return ModbusTcpClient(host, port=int(port), timeout=5)
    return ModbusSerialClient(arguments.serial, baudrate=115200, timeout=5)


if __name__ == "__main__":
    arguments = read_arguments()
    client = make_client(arguments)
    if not client.connect():
        sys.exit("no connection")
    for _ in range(arguments.times):
        answer = client.read_input_registers(0, count=arguments.count, device_id=arguments.unit)
        if answer.isError():
            sys.exit(f"no answer: {answer}")
        print(json.dumps(answer.registers))
