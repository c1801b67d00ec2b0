"""Sizes of a board's ELF file against its budget, and its UF2 file.

python3 firmware_image.py ELF --family rp2040|rp2350 [--uf2 OUT] [--code KIB] [--ram KIB]

Reads ELF (System V ABI, 32 bits, little-endian) and writes UF2: blocks of 512 bytes, each with
256 bytes of program, as the published specification of that format says. Exits with 1 when a
budget is exceeded. Needs nothing but Python.
"""

import argparse
import struct
import sys

# Numbers by which boot loaders know their own files (list that belongs to the specification).
FAMILIES = {"rp2040": 0xE48BFF56, "rp2350": 0xE48BFF59}
FLASH = range(0x1000_0000, 0x1400_0000)
RAM = range(0x2000_0000, 0x2010_0000)
PAYLOAD = 256


def sections(elf):
    """Name, type, flags, address, offset and size of each section."""
    if elf[:7] != b"\x7fELF\x01\x01\x01":
        sys.exit("not an ELF file of 32 bits, little-endian")
    start, = struct.unpack_from("<I", elf, 0x20)
    entry, count, names = struct.unpack_from("<HHH", elf, 0x2E)
    raw = [struct.unpack_from("<10I", elf, start + n * entry) for n in range(count)]
    strings = raw[names][4]
    for name, kind, flags, address, offset, size, *_ in raw:
        end = elf.index(b"\0", strings + name)
        yield elf[strings + name : end].decode(), kind, flags, address, offset, size


def segments(elf):
    """Physical address and bytes of what is loaded from the file."""
    start, = struct.unpack_from("<I", elf, 0x1C)
    entry, count = struct.unpack_from("<HH", elf, 0x2A)
    for n in range(count):
        kind, offset, _, physical, size, *_ = struct.unpack_from("<8I", elf, start + n * entry)
        if kind == 1 and size:
            yield physical, elf[offset : offset + size]


def pages(elf):
    """Pages of the program flash, filled up with FFh where the program leaves holes."""
    found = {}
    for address, data in segments(elf):
        if address not in FLASH:
            continue
        for n, byte in enumerate(data):
            at = address + n
            page = found.setdefault(at - at % PAYLOAD, bytearray(b"\xff" * PAYLOAD))
            page[at % PAYLOAD] = byte
    return sorted(found.items())


def uf2(elf, family):
    """The whole UF2 file."""
    blocks = pages(elf)
    for n, (address, data) in enumerate(blocks):
        head = struct.pack(
            "<8I", 0x0A324655, 0x9E5D5157, 0x2000, address, PAYLOAD, n, len(blocks), family
        )
        yield head + bytes(data) + bytes(476 - PAYLOAD) + struct.pack("<I", 0x0AB16F30)


def read_uf2(data):
    """Address and bytes of each block; stops at anything that is not as it should be."""
    for n in range(0, len(data), 512):
        block = data[n : n + 512]
        head = struct.unpack_from("<8I", block)
        if head[:2] != (0x0A324655, 0x9E5D5157) or block[508:] != struct.pack("<I", 0x0AB16F30):
            sys.exit(f"block {n // 512} of the UF2 file is damaged")
        if head[5] != n // 512 or head[6] * 512 != len(data):
            sys.exit(f"block {n // 512} of the UF2 file is out of order")
        yield head[3], block[32 : 32 + head[4]]


def main():
    ask = argparse.ArgumentParser(description="sizes and UF2 file of a board's program")
    ask.add_argument("elf")
    ask.add_argument("--family", choices=FAMILIES, required=True)
    ask.add_argument("--uf2")
    ask.add_argument("--code", type=int, default=256, help="budget of code, KiB")
    ask.add_argument("--ram", type=int, default=128, help="budget of RAM, KiB")
    ask.add_argument("--stack", type=int, default=0, help="stack that was measured, bytes")
    options = ask.parse_args()
    with open(options.elf, "rb") as file:
        elf = file.read()

    allocated = [s for s in sections(elf) if s[2] & 2 and s[5]]
    # What lies in RAM at run time; constants for it are in the flash as well.
    ram = sum(s[5] for s in allocated if s[3] in RAM)
    code = sum(len(data) for address, data in segments(elf) if address in FLASH)
    total = ram + options.stack
    print(
        f"{options.family}: program {code:,} of {options.code * 1024:,} bytes, RAM {ram:,} static"
        + (f" + {options.stack:,} stack = {total:,}" if options.stack else "")
        + f" of {options.ram * 1024:,} bytes"
    )
    if options.uf2:
        whole = b"".join(uf2(elf, FAMILIES[options.family]))
        with open(options.uf2, "wb") as file:
            file.write(whole)
        if list(read_uf2(whole)) != [(a, bytes(d)) for a, d in pages(elf)]:
            sys.exit("the UF2 file does not hold the program")
        print(f"{options.family}: {options.uf2}, {len(whole):,} bytes")
    if code > options.code * 1024 or total > options.ram * 1024:
        sys.exit("over budget")


main()
