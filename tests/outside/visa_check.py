"""An outside, general-purpose VISA client library talks to every simulated front end, over every link.

    visa_check.py SIM_INSTRUMENT

For each front end that the program knows it starts it on TCP, HiSLIP and a pseudo-terminal, and checks over each:
identity, status registers, errors, *OPC?, a block of a whole record, a question interrupted by the next, and a
question after an answer without a definite end. Ends with an error at the first thing that is not as it must be.
"""

import re
import subprocess
import sys
import tempfile

import pyvisa

POINTS = 2500
BAD = "NONSENSE"
COMMAND_ERROR, QUERY_ERROR, COMPLETE = 32, 4, 1

SCENARIO = """title = "CM-02 on the test bench"
seed = 5
[machine]
name = "CM-02"
format = "vhs-525-sp"
tape = "own"
[tapes.own]
kind = "own"
[scope]
front_end = "{front_end}"
model = "modest"
[scope.probes.CH1]
point = "rf"
expected_v = 0.4
[operator]
answer = "yes"
"""

# What differs from family to family: words before anything else, a free record, when it is done, its samples,
# and how errors are told.
FAMILIES = {
    "family-a": {
        "prepare": [],
        "record": [":CHANnel1:DISPlay ON", ":TIMebase:SCALe 0.001", f":ACQuire:POINts {POINTS}", ":TRIGger:SWEep AUTO", ":SINGle"],
        "state": (":TRIGger:STATus?", "STOP"),
        "choose": [":WAVeform:SOURce CHANnel1", ":WAVeform:FORMat BYTE"],
        "data": ":WAVeform:DATA?",
        "errors": "queue",
    },
    "scpi-99": {
        "prepare": [],
        "record": [":INPut1:STATe ON", ":SENSe:SWEep:TIME 0.01", f":SENSe:SWEep:POINts {POINTS}", ":TRIGger:SEQuence:SOURce IMMediate", ":INITiate:IMMediate"],
        "state": (":STATus:OPERation:CONDition?", "0"),
        "choose": [":FORMat:DATA INTeger,8"],
        "data": f":TRACe:DATA? CH1,1,{POINTS}",
        "errors": "queue",
    },
    "family-b": {
        "prepare": ["HEADer OFF"],
        "record": ["SELect:CH1 ON", "HORizontal:MAIn:SCAle 0.001", f"HORizontal:RECOrdlength {POINTS}", "TRIGger:MAIn:MODe AUTO", "ACQuire:STOPAfter SEQuence", "ACQuire:STATE ON"],
        "state": ("BUSY?", "0"),
        "choose": ["DATa:SOUrce CH1", "DATa:ENCdg RIBinary", "DATa:WIDth 1", "DATa:STARt 1", f"DATa:STOP {POINTS}"],
        "data": "CURVe?",
        "errors": "events",
    },
    "family-c": {
        "prepare": ["CHDR OFF"],
        "record": ["C1:TRA ON", "TDIV 0.001", f"MSIZ {POINTS}", "TRMD AUTO", "TRMD SINGLE", "FRTR"],
        "state": ("SAST?", "Stop"),
        "choose": ["CFMT DEF9,BYTE,BIN", "WFSU SP,0,NP,0,FP,0"],
        "data": "C1:WF? DAT1",
        "errors": "registers",
    },
}


def fail(text):
    sys.exit(f"visa check: {text}")


def must(what, is_so, seen):
    if not is_so:
        fail(f"{what}: {seen!r}")


class Simulator:
    """The program, with its standard input held open: it ends when that does."""

    def __init__(self, program, front_end):
        self.file = tempfile.NamedTemporaryFile("w", suffix=".toml")
        self.file.write(SCENARIO.format(front_end=front_end))
        self.file.flush()
        self.process = subprocess.Popen(
            [program, "--scenario", self.file.name, "--tcp", "127.0.0.1:0", "--hislip", "127.0.0.1:0", "--pty"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        said = []
        for line in self.process.stdout:
            said.append(line.strip())
            if said[-1] == "ready":
                break
        else:
            self.said = self.process.stderr.read()
            self.resources = None
            return
        text = "\n".join(said)
        port = re.search(r"scope tcp://127\.0\.0\.1:(\d+)", text)[1]
        hislip = re.search(r"scope hislip://127\.0\.0\.1:(\d+)", text)[1]
        pty = re.search(r"scope serial://(\S+)", text)[1]
        self.resources = [
            f"TCPIP0::127.0.0.1::{port}::SOCKET",
            f"TCPIP0::127.0.0.1::hislip0,{hislip}::INSTR",
            f"ASRL{pty}::INSTR",
        ]

    def stop(self):
        self.process.stdin.close()
        self.process.wait(timeout=20)


def front_ends(program):
    """The front ends that the program knows, by its own words when it is asked for another."""
    simulator = Simulator(program, "no-such-family")
    must("a front end that is not there is refused", simulator.resources is None, simulator.resources)
    names = [name for name in re.findall(r"[a-z]+-[a-z0-9]+", simulator.said) if name in FAMILIES or name.startswith("family-")]
    names = sorted(set(names))
    must("the front ends are told", {"family-a", "scpi-99"} <= set(names), simulator.said)
    unknown = [name for name in names if name not in FAMILIES]
    must("every front end is checked", not unknown, unknown)
    return names


class Scope:
    """One resource, with the words of its family."""

    def __init__(self, manager, resource, family):
        self.hislip = "hislip" in resource
        self.where = f"{family} over {resource}"
        self.words = FAMILIES[family]
        self.visa = manager.open_resource(resource, timeout=10_000)
        self.visa.read_termination = self.visa.write_termination = "\n"
        for word in self.words["prepare"]:
            self.visa.write(word)

    def ask(self, question):
        return self.visa.query(question).strip()

    def must(self, what, is_so, seen):
        must(f"{self.where}: {what}", is_so, seen)

    def events(self):
        return int(self.ask("*ESR?"))

    def identity(self):
        self.visa.write("*CLS")
        identity = self.ask("*IDN?").split(",")
        self.must("four fields of identity", len(identity) == 4, identity)
        return identity

    def status(self):
        for mask in ["*ESE", "*SRE"]:
            for value in [0, 5, 32]:
                is_now = int(self.ask(f"{mask} {value};{mask}?"))
                self.must(f"{mask} {value}", is_now == value, is_now)
        # Bit 6 of the service mask is not there.
        is_now = int(self.ask("*SRE 255;*SRE?"))
        self.must("*SRE 255", is_now == 191, is_now)
        self.visa.write("*CLS;*ESE 32;*SRE 32")
        byte = int(self.ask("*STB?"))
        self.must("a clear status byte", byte == 0, byte)
        self.visa.write(BAD)
        byte = int(self.ask("*STB?"))
        self.must("summary and master summary", byte & 96 == 96, byte)
        if self.hislip:
            polled = self.visa.read_stb()
            self.must("the same by serial poll", polled & 96 == 96, polled)
        events = self.events()
        self.must("a command error alone", events & ~COMPLETE & 127 == COMMAND_ERROR, events)
        events = self.events()
        self.must("an event register that reading clears", events == 0, events)
        self.visa.write("*CLS;*ESE 0;*SRE 0")

    def errors(self):
        how = self.words["errors"]
        self.visa.write("*CLS")
        self.visa.write(BAD)
        if how == "queue":
            entry = self.ask("SYSTem:ERRor?")
            self.must("-113 in the queue", entry.startswith("-113,"), entry)
            entry = self.ask("SYSTem:ERRor?")
            self.must("an empty queue", entry.startswith("0,"), entry)
            version = float(self.ask("SYSTem:VERSion?"))
            self.must("a version of SCPI", version >= 1999.0, version)
            for _ in range(100):
                self.visa.write(BAD)
            entries = []
            while not (entry := self.ask("SYSTem:ERRor?")).startswith("0,"):
                entries.append(entry)
                self.must("an end of the queue", len(entries) <= 100, entries[-1])
            self.must("overflow as the newest entry", entries[-1].startswith("-350,"), entries[-1])
        elif how == "events":
            self.events()
            entry = self.ask("EVMsg?")
            self.must("113 as event", entry.startswith("113,"), entry)
            entry = self.ask("EVMsg?")
            self.must("no further event", not entry.startswith("113,"), entry)
        else:
            code = int(self.ask("CMR?"))
            self.must("a command error in its register", code != 0, code)
            code = int(self.ask("CMR?"))
            self.must("a register that reading clears", code == 0, code)
        self.visa.write("*CLS")

    def complete(self):
        self.visa.write("*RST")
        for word in self.words["prepare"]:
            self.visa.write(word)
        self.must("*OPC?", self.ask("*OPC?") == "1", "another answer")
        self.visa.write("*CLS;*OPC")
        events = self.events()
        self.must("*OPC sets its bit", events & COMPLETE == COMPLETE, events)
        self.must("*WAI", self.ask("*WAI;*ESE?") == "0", "another answer")

    def block(self):
        for word in self.words["record"]:
            self.visa.write(word)
        question, done = self.words["state"]
        for _ in range(2000):
            if self.ask(question) == done:
                break
        else:
            fail(f"{self.where}: the acquisition did not end")
        for word in self.words["choose"]:
            self.visa.write(word)
        # A line feed inside the block is no end, so bytes are counted; over HiSLIP the library reads to END.
        self.visa.read_termination = None
        self.visa.write(self.words["data"])
        if self.hislip:
            raw = self.visa.read_raw()
            start = raw.index(b"#")
        else:
            raw, start = b"", 0
            while not raw.endswith(b"#"):
                raw += self.visa.read_bytes(1)
                self.must("a block", len(raw) < 40, raw)
            start = len(raw) - 1
            raw += self.visa.read_bytes(1)
            raw += self.visa.read_bytes(int(raw[-1:]))
            raw += self.visa.read_bytes(int(raw[start + 2 :]) + 1)
        self.visa.read_termination = "\n"
        digits = int(raw[start + 1 : start + 2])
        count = int(raw[start + 2 : start + 2 + digits])
        data = raw[start + 2 + digits : -1]
        self.must("a line feed after the block", raw.endswith(b"\n"), raw[-4:])
        self.must("a whole record", len(data) == count == POINTS, (len(data), count))
        self.must("samples that differ", len(set(data)) > 1, data[:8])
        events = self.events()
        self.must("nothing to complain of", events & ~COMPLETE & 127 == 0, events)
        return count

    def interrupted(self):
        self.visa.write("*CLS;*ESE 7")
        if self.hislip:
            # The reply is there and stays unread.
            self.visa.write("*IDN?")
            while not self.visa.read_stb() & 16:
                pass
            self.visa.write("*ESE?")
        else:
            self.visa.write_raw(b"*IDN?\n*ESE?\n")
        answer = self.visa.read().strip()
        self.must("the answer to the second question alone", answer == "7", answer)
        events = self.events()
        self.must("a query error", events & QUERY_ERROR, events)
        self.visa.write("*CLS")
        answer = self.ask("*IDN?;*ESE?")
        self.must("an identity alone, since it has no definite end", answer.count(",") == 3 and ";" not in answer, answer)
        events = self.events()
        self.must("a query error after it", events & QUERY_ERROR, events)
        self.visa.write("*CLS;*ESE 0")

    def cleared(self):
        """Device clear: what is on its way is forgotten, settings are not."""
        # The answer shows that it was set: a clear overtakes messages on their way.
        self.must("*ESE 9", self.ask("*ESE 9;*ESE?") == "9", "another answer")
        self.visa.clear()
        self.must("settings outlive a clear", self.ask("*ESE?") == "9", "another answer")
        self.visa.write("*ESE 0")


def main():
    program = sys.argv[1]
    manager = pyvisa.ResourceManager("@py")
    checked = 0
    for family in front_ends(program):
        simulator = Simulator(program, family)
        must(f"{family} starts", simulator.resources, getattr(simulator, "said", ""))
        identities = set()
        for resource in simulator.resources:
            scope = Scope(manager, resource, family)
            identities.add(tuple(scope.identity()))
            scope.status()
            scope.errors()
            scope.complete()
            count = scope.block()
            if scope.hislip:
                scope.cleared()
            scope.interrupted()
            # The answer shows that nothing is on its way any more when the next link comes.
            scope.must("an end", scope.ask("*ESE 0;*ESE?") == "0", "another answer")
            scope.visa.close()
            checked += 1
            print(f"{scope.where}: identity, status, errors, *OPC?, {count} samples, interrupted question agree")
        must(f"{family}: one identity over every link", len(identities) == 1, identities)
        simulator.stop()
    must("something was checked", checked >= 6, checked)


main()
