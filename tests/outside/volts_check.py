"""Sets the simulated scopes of both command families up through an outside VISA library, and checks volts.

    volts_check.py SIM_INSTRUMENT SCENARIO_STANDARD SCENARIO_FAMILY_A

Ends with an error at the first thing that is not as it must be; nothing is left out.
"""

import subprocess
import sys
import time

import pyvisa

TEST_HIGH_V = 3.0


def fail(text):
    sys.exit(f"volts check: {text}")


class Simulator:
    """The program, with its standard input held open: it ends when that does."""

    def __init__(self, program, scenario, *port):
        self.process = subprocess.Popen(
            [program, "--scenario", scenario, *port],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        self.address = None
        for line in self.process.stdout:
            if line.startswith("scope "):
                self.address = line.split()[1]
            if line.strip() == "ready":
                break
        else:
            fail(f"{program} ended before it was ready")
        if self.address is None:
            fail("the simulator does not say where its scope is")

    def tell(self, command):
        self.process.stdin.write(command + "\n")
        self.process.stdin.flush()
        answer = self.process.stdout.readline().strip()
        if answer.startswith("error"):
            fail(f"`{command}`: {answer}")

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.process.stdin.close()
        self.process.wait(timeout=20)


def open_scope(manager, resource, **settings):
    scope = manager.open_resource(resource, read_termination="\n", write_termination="\n", timeout=5000, **settings)
    identity = scope.query("*IDN?")
    if len(identity.split(",")) != 4:
        fail(f"{resource}: *IDN? gave {identity!r}, four fields were due (IEEE 488.2, 10.14)")
    print(f"{resource}: {identity}")
    scope.write("*CLS")
    no_error(scope)
    return scope


def no_error(scope):
    error = scope.query("SYSTem:ERRor?")
    if not error.startswith("0,"):
        fail(f"the error queue holds {error!r}")


def provoke(scope):
    """An undefined header must be -113, and the queue empty after it (SCPI-99 vol. 2, 21.8)."""
    scope.write(":NONSense:HEADer 1")
    error = scope.query("SYSTem:ERRor?")
    if not error.startswith("-113,"):
        fail(f"an undefined header gave {error!r}, -113 was due")
    no_error(scope)


def wait(done, what):
    until = time.monotonic() + 10
    while not done():
        if time.monotonic() > until:
            fail(f"{what} did not end")
        time.sleep(0.02)


def test_output(volts, step_v):
    """The scope's own test output: 1 kHz, 0 V to 3 V, half the time each."""
    high = [v for v in volts if v > TEST_HIGH_V / 2]
    low = [v for v in volts if v <= TEST_HIGH_V / 2]
    share = len(high) / len(volts)
    if not 0.4 < share < 0.6:
        fail(f"the test output is high for {share:.2f} of the time")
    # Gain within 3 %, offset within 0.1 division and a step: what the simulated scope may be off.
    allowed = 0.03 * TEST_HIGH_V + 3.5 * step_v + 0.1 * 25 * step_v
    for name, values, should in (("high", high, TEST_HIGH_V), ("low", low, 0.0)):
        mean = sum(values) / len(values)
        if abs(mean - should) > allowed:
            fail(f"{name} is {mean:.3f} V, {should} V within {allowed:.3f} V was due")
    print(f"  a block of {len(volts)} values: the test output is right")


def standard(manager, simulator):
    host, port = simulator.address.removeprefix("tcp://").rsplit(":", 1)
    scope = open_scope(manager, f"TCPIP::{host}::{port}::SOCKET")
    simulator.tell("probe CH1 test-output 1")
    full_v, points = 8.0, 1000
    for command in (
        "INPut1:STATe ON",
        "INPut1:COUPling DC",
        f"SENSe:VOLTage1:DC:RANGe:PTPeak {full_v}",
        "SENSe:VOLTage1:DC:RANGe:OFFSet 0",
        f"SENSe:SWEep:POINts {points}",
        "SENSe:SWEep:TIME 0.01",
        "SENSe:AVERage:STATe OFF",
        "TRIGger:SOURce IMMediate",
        "FORMat INTeger,8",
        "INITiate",
    ):
        scope.write(command)
    no_error(scope)
    wait(lambda: int(scope.query("STATus:OPERation:CONDition?")) & 0b110000 == 0, "the acquisition")
    codes = scope.query_binary_values("TRACe? CH1", datatype="b", container=list)
    if len(codes) != points:
        fail(f"{len(codes)} codes came, {points} were due")
    test_output([code * full_v / 256 for code in codes], full_v / 256)
    provoke(scope)
    scope.close()


def family_a(manager, simulator):
    device, baud = simulator.address.removeprefix("serial://").split("?baud=")
    scope = open_scope(manager, f"ASRL{device}::INSTR", baud_rate=int(baud))
    simulator.tell("probe CH1 test-output 1")
    for command in (
        ":CHANnel1:DISPlay ON",
        ":CHANnel1:PROBe 1",
        ":CHANnel1:COUPling DC",
        ":CHANnel1:SCALe 1",
        ":CHANnel1:OFFSet 0",
        ":TIMebase:SCALe 0.001",
        ":TIMebase:POSition 0",
        ":ACQuire:TYPE NORMal",
        ":ACQuire:POINts 1000",
        ":TRIGger:MODE EDGE",
        ":TRIGger:SWEep AUTO",
        ":TRIGger:EDGE:SOURce CHANnel1",
        ":TRIGger:EDGE:LEVel 1.5",
        ":SINGle",
    ):
        scope.write(command)
    no_error(scope)
    wait(lambda: scope.query(":TRIGger:STATus?").strip() == "STOP", "the acquisition")
    scope.write(":WAVeform:SOURce CHANnel1")
    scope.write(":WAVeform:FORMat BYTE")
    fields = [float(field) for field in scope.query(":WAVeform:PREamble?").split(",")]
    if len(fields) != 10:
        fail(f"the preamble has {len(fields)} fields, ten were due")
    y_increment, y_origin, y_reference = fields[7:10]
    codes = scope.query_binary_values(":WAVeform:DATA?", datatype="B", container=list)
    if len(codes) != int(fields[2]):
        fail(f"{len(codes)} codes came, the preamble says {fields[2]:.0f}")
    test_output([(code - y_reference) * y_increment + y_origin for code in codes], y_increment)
    provoke(scope)
    scope.close()


def main():
    program, standard_file, family_file = sys.argv[1:4]
    manager = pyvisa.ResourceManager("@py")
    with Simulator(program, standard_file, "--tcp", "127.0.0.1:0") as simulator:
        standard(manager, simulator)
    with Simulator(program, family_file, "--pty") as simulator:
        family_a(manager, simulator)
    print("volts check: all is right")


main()
