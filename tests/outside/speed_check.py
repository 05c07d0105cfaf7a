"""Short queries a second of an outside VISA client, against the instrument on a port of this computer.

Usage: speed_check.py PORT COUNT; prints the rate. `cargo bench -p tapewright-tests --bench tcp` starts it.
"""

import sys
import time

import pyvisa


def main(port: int, count: int) -> None:
    manager = pyvisa.ResourceManager("@py")
    device = manager.open_resource(f"TCPIP0::127.0.0.1::{port}::SOCKET", timeout=10_000)
    device.read_termination = device.write_termination = "\n"
    device.query("PING?")
    begin = time.perf_counter()
    for _ in range(count):
        if device.query("PING?") != "1":
            raise SystemExit("a wrong answer")
    print(count / (time.perf_counter() - begin))
    device.close()


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
