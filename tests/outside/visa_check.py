"""An outside, general-purpose VISA client library opens the simulated scope and takes a record.

    visa_check.py RESOURCE...    e.g. TCPIP0::127.0.0.1::5025::SOCKET ASRL/dev/pts/3::INSTR
"""

import sys

import numpy as np
import pyvisa


def check(manager, resource):
    scope = manager.open_resource(resource, timeout=10_000)
    scope.read_termination = scope.write_termination = "\n"
    if resource.startswith("ASRL"):
        scope.baud_rate = 921_600
    identity = scope.query("*IDN?").split(",")
    assert len(identity) == 4, f"{resource}: *IDN? gave {identity}"
    scope.write("*CLS;*RST")
    assert scope.query("*OPC?").strip() == "1"
    assert float(scope.query("SYSTem:VERSion?")) >= 1999.0
    for command in [":CHANnel1:DISPlay ON", ":TIMebase:SCALe 0.001", ":ACQuire:POINts 2500", ":TRIGger:SWEep AUTO", ":SINGle"]:
        scope.write(command)
    for _ in range(200):
        if scope.query(":TRIGger:STATus?").strip() == "STOP":
            break
    else:
        raise AssertionError(f"{resource}: the acquisition did not end")
    scope.write(":WAVeform:SOURce CHANnel1;FORMat BYTE")
    preamble = scope.query(":WAVeform:PREamble?").split(",")
    # Over a raw socket the library reads until its chunk is full, so it is told the block's exact size; a
    # line feed inside the block is then no end.
    header = len("#800002500")
    scope.read_termination = None
    scope.write(":WAVeform:DATA?")
    raw = scope.read_bytes(header + 2500 + 1)
    codes = np.array(pyvisa.util.from_ieee_block(raw, datatype="B"))
    assert raw.endswith(b"\n"), f"{resource}: no line feed after the block"
    scope.read_termination = "\n"
    assert len(codes) == int(preamble[2]) == 2500, f"{resource}: {len(codes)} codes, preamble {preamble}"
    assert scope.query("SYSTem:ERRor?").startswith("0,"), "the error queue is not empty"
    scope.write("NOT:A:COMMand")
    entry = scope.query("SYSTem:ERRor?")
    assert entry.startswith("-113,"), f"{resource}: the error queue gave {entry}"
    assert int(scope.query("*ESR?")) & 32, "the command error bit is not set"
    assert scope.query("SYSTem:ERRor?").startswith("0,")
    scope.close()
    print(f"{resource}: identity, {len(codes)} codes in a block, status and error queue agree")


def main():
    resources = sys.argv[1:]
    assert resources, "name at least one resource"
    manager = pyvisa.ResourceManager("@py")
    for resource in resources:
        check(manager, resource)


main()
