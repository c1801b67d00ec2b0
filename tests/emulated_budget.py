"""Holds the emulated node to its budgets: code, memory, instructions a frame; prints them."""

import re
import struct
import sys

CODE = 256 * 1024
MEMORY = 128 * 1024
# 8 % of 150 MHz at 8000 frames a second. Instructions, not cycles: the emulator counts those.
PER_FRAME = 150e6 * 0.08 / 8000


def code_bytes(path):
    """Bytes that are loaded into flash: the file sizes of the ELF's loaded segments."""
    elf = open(path, "rb").read()
    offset, = struct.unpack_from("<I", elf, 28)
    size, count = struct.unpack_from("<HH", elf, 42)
    heads = [struct.unpack_from("<8I", elf, offset + k * size) for k in range(count)]
    return sum(h[4] for h in heads if h[0] == 1)


def main():
    log = open(sys.argv[2]).read()
    print(log.strip())
    number = lambda pattern: int(re.search(pattern, log).group(1))
    node, bare = number(r"node: instructions a frame (\d+)"), number(r"bare: instructions a frame (\d+)")
    stack, room = number(r"stack (\d+) of"), number(r"stack \d+ of (\d+)")
    variables = number(r"variables (\d+)")
    rows = [
        ("code in flash, bytes", code_bytes(sys.argv[1]), CODE),
        ("variables, bytes", variables, MEMORY),
        ("variables and deepest stack, bytes", variables + stack, MEMORY),
        ("instructions a frame, six channels", node, PER_FRAME),
    ]
    print(f"{'what':40}{'figure':>10}{'budget':>10}")
    for what, figure, budget in rows:
        print(f"{what:40}{figure:10,}{int(budget):10,}")
    print(f"{'bare loop: 21 sums a frame':40}{bare:10,}")
    print(f"{'node against bare loop':40}{node / bare:10.2f}")
    if stack >= room:
        sys.exit("emulated: the stack ran into the variables")
    for what, figure, budget in rows:
        if figure > budget:
            sys.exit(f"emulated: {what}: {figure} is over the budget of {int(budget)}")


main()
