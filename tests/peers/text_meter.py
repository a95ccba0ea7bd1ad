"""A meter that sends a line of text by itself, played by pyserial, with the faults that wires have.

A line is `VELOCITY;TEMPERATURE`, ended by CR LF. Both numbers name the line they stand in. Some
lines carry the status word `----` in place of the velocity, some are damaged by a NUL (what the
kernel hands over for a parity error), and each leaves in two pieces. Every line is logged as it
leaves, one JSON object a line:

    {"n": 7, "at": 1700000000.25, "velocity": 1.07, "temperature": 23.5, "damaged": false}

`velocity` is null where the status word stands. Says `ready` on standard output before it begins.

    python text_meter.py --serial PATH --every 0.25 --log sent.jsonl
"""

import argparse
import json
import time

import serial

STATUS_EVERY = 5
DAMAGED_EVERY = 9


def make_line(n: int):
    """The text of the n-th line and what it says."""
    velocity, temperature = 1 + (n % 2000) / 100, 20 + (n % 800) / 2
    is_status = n % STATUS_EVERY == STATUS_EVERY - 1
    is_damaged = n % DAMAGED_EVERY == DAMAGED_EVERY - 1
    text = f"{'----' if is_status else f'{velocity:.2f}'};{temperature:.1f}"
    if is_damaged:
        text = text[:-1] + "\0" + text[-1]
    entry = {
        "n": n,
        "velocity": None if is_status else float(f"{velocity:.2f}"),
        "temperature": float(f"{temperature:.1f}"),
        "damaged": is_damaged,
    }
    return text.encode() + b"\r\n", entry


def read_arguments():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--serial", required=True, metavar="PATH")
    parser.add_argument("--baud", type=int, default=9600)
    parser.add_argument("--every", type=float, default=1.0, help="seconds between two lines")
    parser.add_argument("--log", required=True, help="file for the lines sent, as JSON")
    return parser.parse_args()


def send_for_ever(port: serial.Serial, every: float, log):
    port.write(b"4;56.5\r\n")  # the tail of a line whose head nobody heard
    start, n = time.monotonic(), 0
    while True:
        time.sleep(max(0.0, start + (n + 1) * every - time.monotonic()))
        line, entry = make_line(n)
        entry["at"] = time.time()
        log.write(json.dumps(entry) + "\n")
        port.write(line[:3])
        port.flush()
        time.sleep(0.005)
        port.write(line[3:])
        n += 1


if __name__ == "__main__":
    arguments = read_arguments()
    with serial.Serial(arguments.serial, arguments.baud) as port, open(arguments.log, "a", buffering=1) as log:
        print("ready", flush=True)
        try:
            send_for_ever(port, arguments.every, log)
        except KeyboardInterrupt:
            pass
