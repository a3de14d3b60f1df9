import re
from binascii import crc_hqx

LAYOUT = 56694


def encode(body):
    return b"!%b*%04X\n" % (body, crc_hqx(body, 0xFFFF))


NUM = re.compile(rb"-?(0|[1-9][0-9]*)\Z")


class FrameReader:
    def __init__(self):
        self.bad = 0
        self.buf = None
        self.last = 0

    def bad_frames(self, now):
        if self.buf is not None and now - self.last >= 50:
            self.buf = None
            self.bad += 1
        return self.bad & 65535

    def receive(self, data, now):
        self.bad_frames(now)
        self.last = now
        out = []
        for ch in data:
            ch = bytes([ch])
            if ch == b"!":
                if self.buf is not None:
                    self.bad += 1
                self.buf = b"!"
            elif self.buf is not None:
                self.buf += ch
                if ch == b"\n":
                    m = self.parse(self.buf)
                    self.buf = None
                    if m:
                        out.append(m)
                    else:
                        self.bad += 1
                elif not 32 <= ch[0] < 127 or len(self.buf) >= 180:
                    self.buf = None
                    self.bad += 1
        return out

    def parse(self, f):
        m = re.fullmatch(rb"!([^*]*)\*([0-9A-F]{4})\n", f)
        if not m or crc_hqx(m[1], 0xFFFF) != int(m[2], 16):
            return None
        k, *rest = m[1].split(b",")
        if not all(NUM.match(x) for x in rest) or b"-0" in rest:
            return None
        v = tuple(map(int, rest))
        k = k.decode()
        if k == "H" and len(v) == 2 and 1 <= v[0] <= v[1] <= 255:
            return k, v
        if k == "S" and len(v) == 5 and all(0 <= x < 65536 for x in v):
            return k, v
        if k == "L" and len(v) == 4 and all(0 <= x < 65536 for x in v[:3]) and -(2**31) <= v[3] < 2**31:
            return k, v
        return None
