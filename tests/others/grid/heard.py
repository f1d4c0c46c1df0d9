"""Which codes and VINs the recording really holds (so that the truth is fair)."""


def heard(lines, v):
    """-> {(unit, (code or (spn, fmi)))}, {unit: vin}, [(t, unit)] of diagnostic answers."""
    codes, vins, ans, part = set(), {}, [], {}
    by = {u.ans: u for u in v.units if u.ans is not None}
    sa = {u.addr: u for u in v.units} if v.kind == "truck" else {}
    for t, c, ident, ext, d in lines:
        if ident is None or not d:
            continue
        if sa:
            u, pg = sa.get(ident & 255), ident >> 8 & 0xFFFF
            if u is None:
                continue
            if pg in (0xFECA, 0xFECB):
                if pg == 0xFECB:
                    ans.append((t, u.idx))
                dm(codes, u, d)
            elif pg == 0xECFF and d[0] == 32:
                part[u.idx] = [d[1], b"", d[5] | d[6] << 8]
                ans.append((t, u.idx))
            elif pg == 0xEBFF and u.idx in part:
                part[u.idx][1] += d[1:]
                if len(part[u.idx][1]) >= part[u.idx][0]:
                    dm(codes, u, part.pop(u.idx)[1])
            elif pg == 0xE8FF:
                ans.append((t, u.idx))
            continue
        u = by.get(ident)
        if u is None:
            continue
        ans.append((t, u.idx))
        k = d[0] >> 4
        if k == 0:
            take(codes, vins, u, d[1:1 + d[0]])
        elif k == 1:
            part[ident] = [(d[0] & 15) << 8 | d[1], d[2:]]
        elif k == 2 and ident in part:
            part[ident][1] += d[1:]
            if len(part[ident][1]) >= part[ident][0]:
                n, b = part.pop(ident)
                take(codes, vins, u, b[:n])
    return codes, vins, ans


def dm(codes, u, d):
    for i in range(2, len(d) - 3, 4):
        spn = d[i] | d[i + 1] << 8 | (d[i + 2] >> 5) << 16
        if 0 < spn < 0x7FFFF:
            codes.add((u.idx, (spn, d[i + 2] & 31)))


def take(codes, vins, u, b):
    if b[:2] == b"\x59\x02":
        for i in range(3, len(b) - 3, 4):
            codes.add((u.idx, b[i] << 8 | b[i + 1]))
    elif b[:1] == b"\x58":
        for i in range(2, len(b) - 2, 3):
            codes.add((u.idx, b[i] << 8 | b[i + 1]))
    elif b[:1] in (b"\x43", b"\x47", b"\x4A"):
        for i in range(2, len(b) - 1, 2):
            codes.add((u.idx, b[i] << 8 | b[i + 1]))
    elif b[:3] in (b"\x62\xF1\x90", b"\x49\x02\x01"):
        vins[u.idx] = b[3:]
    elif b[:2] == b"\x5A\x90":
        vins[u.idx] = b[2:]
