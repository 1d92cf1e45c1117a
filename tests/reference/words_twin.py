"""Plain twin of the gathering of words under the instructions of a TMS9900: one cycle at a time."""

from __future__ import annotations

from busledger.decoder.bus.columns import Kind
from busledger.decoder.program.following.columns import Part, State


def gather_words_plain(rows: list[dict], words) -> tuple[list[tuple], list[dict]]:
    """((of, part) of every row, the finished instructions); rows have kind, address, data and what is bad."""
    out: list[tuple] = []
    done: list[dict] = []
    now: dict | None = None
    for i, c in enumerate(rows):
        fetch = c["kind"] == Kind.OPCODE_FETCH
        if now is not None and (c["gap"] or fetch):
            done.append(now | {"end": i})
            now = None
        if fetch:
            bad = c["bad_address"] or c["bad_data"]
            want = 0 if c["bad_data"] else max(int(words[c["data"]]), 1)
            now = {"row": i, "address": c["address"], "raw": [c["data"]], "want": want, "bad": bad}
            out.append((i, Part.OPCODE))
        elif now is None or c["kind"] not in (Kind.READ, Kind.WRITE, Kind.IO_READ, Kind.IO_WRITE):
            out.append((-1, Part.NONE))
        else:
            expected = now["address"] + 2 * len(now["raw"]) & 0xFFFF
            mine = c["kind"] == Kind.READ and c["address"] == expected and not c["bad_address"]
            if mine and len(now["raw"]) < now["want"]:
                now["raw"].append(c["data"])
                now["bad"] |= c["bad_data"]
                out.append((now["row"], Part.OPERAND))
            else:
                out.append((now["row"], Part.DATA))
    for one in done:
        short = len(one["raw"]) < one["want"]
        one["state"] = State.DOUBTFUL if one["bad"] else State.CUT if short else State.WHOLE
    return out, done
