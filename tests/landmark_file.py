"""Small networks of the shape of a landmark network, written byte by byte: their weights are plain sums.

The one in ONNX form sees three coloured discs on black (red hip, green knee, blue ankle) and tells all places of the
body as sums of the three; the one in TFLite form tells the mean colour times known weights.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import av
import cv2
import flatbuffers
import numpy as np

SIDE = 256
COLOURS = ((255, 0, 0), (0, 255, 0), (0, 0, 255))

# --- ONNX: protobuf wire format, field numbers of onnx.proto3 ---


def _varint(n: int) -> bytes:
    out = b""
    while n > 0x7F:
        out, n = out + bytes([n & 0x7F | 0x80]), n >> 7
    return out + bytes([n])


def _int(field: int, n: int) -> bytes:
    return _varint(field << 3) + _varint(n)


def _part(field: int, data: bytes | str) -> bytes:
    raw = data.encode() if isinstance(data, str) else data
    return _varint(field << 3 | 2) + _varint(len(raw)) + raw


def _node(op: str, inputs: Sequence[str], output: str, **ints: int | Sequence[int]) -> bytes:
    """NodeProto; attributes are whole numbers or lists of them."""
    made = b"".join(_part(1, i) for i in inputs) + _part(2, output) + _part(3, output) + _part(4, op)
    for name, value in ints.items():
        many = not isinstance(value, int)
        body = b"".join(_int(8, v) for v in value) if many else _int(3, value)
        made += _part(5, _part(1, name) + body + _int(20, 7 if many else 2))
    return _part(1, made)


def _tensor(name: str, values: np.ndarray) -> bytes:
    kind = 7 if values.dtype == np.int64 else 1
    data = values if kind == 7 else values.astype(np.float32)
    dims = b"".join(_int(1, d) for d in values.shape)
    return _part(5, dims + _int(2, kind) + _part(8, name) + _part(9, data.tobytes()))


def _value(field: int, name: str, shape: Sequence[int]) -> bytes:
    dims = b"".join(_part(1, _int(1, d)) for d in shape)
    return _part(field, _part(1, name) + _part(2, _part(1, _int(1, 1) + _part(2, dims))))


def body_weights(count: int = 33, stuck: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """(6, 5 count) and (5 count,): places as sums of hip, knee and ankle (x and y of each).

    `stuck`: share by which the knee stays where it is in the square, whatever is seen.
    """
    share = np.zeros((count, 3))
    share[:] = (1, 0, 0)
    share[[11, 12]] = (1.8, 0, -0.8)  # shoulders, as far above the hip as the ankle is below
    share[[25, 26]] = (0, 1 - stuck, 0)
    share[[27, 28]] = (0, 0, 1)
    share[[29, 30]] = (0, -0.2, 1.2)
    share[[31, 32]] = (-0.3, 0, 1.3)
    if count > 33:
        share[34] = (2.2, 0, -1.2)  # the circle reaches below the foot
    weights, bias = np.zeros((3, 2, count, 5)), np.zeros((count, 5))
    for axis in (0, 1):
        weights[:, axis, :, axis] = share.T
    bias[[25, 26], :2] = stuck * SIDE / 2
    return weights.reshape(6, count * 5), bias.ravel()


def onnx_body(count: int = 33, stuck: float = 0.0, channels_last: bool = False, score: float = 8.0) -> bytes:
    """The network of coloured discs. `score`: how sure it is of a person where something is seen (logit)."""
    weights, bias = body_weights(count, stuck)
    at = np.arange(SIDE, dtype=np.float64)[:, None]
    shape = (1, SIDE, SIDE, 3) if channels_last else (1, 3, SIDE, SIDE)
    nodes = _node("Transpose", ["seen"], "x", perm=[0, 3, 1, 2]) if channels_last else b""
    image = "x" if channels_last else "seen"
    for name, axis in (("u", 2), ("v", 3)):
        nodes += _node("ReduceMean", [image], f"{name}p", axes=[axis], keepdims=0)
        nodes += _node("MatMul", [f"{name}p", "at"], f"{name}s") + _node(
            "MatMul", [f"{name}p", "one"], f"{name}w"
        )
        nodes += _node("Add", [f"{name}w", "tiny"], f"{name}n") + _node(
            "Div", [f"{name}s", f"{name}n"], f"{name}c"
        )
    nodes += _node("Concat", ["uc", "vc"], "c", axis=2) + _node("Reshape", ["c", "six"], "c6")
    nodes += _node("MatMul", ["c6", "weights"], "w") + _node("Add", ["w", "bias"], "places")
    nodes += _node("Reshape", ["uw", "three"], "w3") + _node("MatMul", ["w3", "much"], "m")
    nodes += _node("Add", ["m", "less"], "logit") + _node("Sigmoid", ["logit"], "score")
    tensors = b"".join(
        _tensor(n, np.asarray(v)) for n, v in {
            "at": at, "one": np.ones((SIDE, 1)), "tiny": np.full((1, 1, 1), 1e-6), "weights": weights,
            "bias": bias[None], "six": np.array([1, 6], np.int64), "three": np.array([1, 3], np.int64),
            "much": np.full((3, 1), 1e3), "less": np.array([[score - 16.0]]),
        }.items()
    )  # fmt: skip
    ends = _value(11, "seen", shape) + _value(12, "places", (1, 5 * count)) + _value(12, "score", (1, 1))
    graph = nodes + _part(2, "body") + tensors + ends
    return _int(1, 8) + _part(7, graph) + _part(8, _part(1, "") + _int(2, 13))


def discs(size: tuple[int, int], places: Sequence[tuple[float, float]], radius: int = 9) -> np.ndarray:
    """A black RGB picture (height, width) with hip, knee and ankle in their colours, drawn to 1/16 px."""
    picture = np.zeros((*size, 3), np.uint8)
    for (u, v), colour in zip(places, COLOURS, strict=True):
        cv2.circle(picture, (round(16 * u), round(16 * v)), 16 * radius, colour, -1, cv2.LINE_AA, 4)
    return picture


# --- TFLite: tables of schema.fbs by the numbers of their fields ---


def _table(b: flatbuffers.Builder, **slots: tuple[str, int]) -> int:
    """A table; each slot `sN=(kind, value)` with kind an offset "o" or a number "i8", "i32", "u32"."""
    b.StartObject(1 + max((int(s[1:]) for s in slots), default=0))
    for slot, (kind, value) in slots.items():
        add = {
            "o": b.PrependUOffsetTRelativeSlot, "i8": b.PrependInt8Slot, "i32": b.PrependInt32Slot,
            "u32": b.PrependUint32Slot,
        }[kind]  # fmt: skip
        add(int(slot[1:]), value, 0)
    return b.EndObject()


def _offsets(b: flatbuffers.Builder, items: Sequence[int]) -> int:
    b.StartVector(4, len(items), 4)
    for item in reversed(items):
        b.PrependUOffsetTRelative(item)
    return b.EndVector()


def _vector(b: flatbuffers.Builder, values: Sequence[int] | np.ndarray) -> int:
    return b.CreateNumpyVector(np.asarray(values, np.int32))


def tflite_mean(weights: np.ndarray, bias: np.ndarray, score: float = 2.0) -> bytes:
    """Mean colour (3,) of the square, times weights (M, 3), plus bias (M,); and the sigmoid of `score`."""
    b = flatbuffers.Builder(1 << 16)
    count = len(bias)
    numbers = [weights, bias, np.zeros((1, 3)), np.array([score])]
    buffers = [_table(b)] + [
        _table(b, s0=("o", b.CreateNumpyVector(np.frombuffer(x.astype("<f4").tobytes(), np.uint8))))
        for x in numbers
    ]
    shapes = [
        (1, SIDE, SIDE, 3),
        (1, 1, 1, 3),
        (count, 3),
        (count,),
        (1, 3),
        (1,),
        (1, count),
        (1, 1),
        (1, 1),
        (1, 3),
    ]
    filled = {2: 1, 3: 2, 4: 3, 5: 4}
    tensors = [
        _table(b, s0=("o", _vector(b, s)), s2=("u32", filled.get(i, 0)), s3=("o", b.CreateString(f"t{i}")))
        for i, s in enumerate(shapes)
    ]
    pool = _table(b, s0=("i8", 1), s1=("i32", 1), s2=("i32", 1), s3=("i32", SIDE), s4=("i32", SIDE))
    full = _table(b, s3=("i8", 0))
    flat = _table(b, s0=("o", _vector(b, [1, 3])))
    steps = [
        (0, [0], [1], 5, pool), (3, [1], [9], 17, flat), (1, [9, 2, 3], [6], 8, full), (1, [9, 4, 5], [7], 8, full),
        (2, [7], [8], 0, 0),
    ]  # fmt: skip
    operators = []
    for code, inputs, outputs, kind, options in steps:
        slots = {"s0": ("u32", code), "s1": ("o", _vector(b, inputs)), "s2": ("o", _vector(b, outputs))}
        if kind:
            slots |= {"s3": ("i8", kind), "s4": ("o", options)}
        operators.append(_table(b, **slots))
    graph = _table(
        b, s0=("o", _offsets(b, tensors)), s1=("o", _vector(b, [0])), s2=("o", _vector(b, [6, 8])),
        s3=("o", _offsets(b, operators)), s4=("o", b.CreateString("main")),
    )  # fmt: skip
    codes = [_table(b, s0=("i8", c), s2=("i32", 1), s3=("i32", c)) for c in (1, 9, 14, 22)]
    model = _table(
        b, s0=("u32", 3), s1=("o", _offsets(b, codes)), s2=("o", _offsets(b, [graph])),
        s3=("o", b.CreateString("mean colour")), s4=("o", _offsets(b, buffers)),
    )  # fmt: skip
    b.Finish(model, b"TFL3")
    return bytes(b.Output())


# --- a film for them ---


def leg_film(
    path: Path, legs: Sequence[np.ndarray], size: tuple[int, int] = (240, 320), soft: bool = True
) -> Path:
    """The coloured discs (hip, knee, ankle of each frame) as a film at 20 frames a second; `soft` ones have no edge
    and are no markers."""
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=20, options={"crf": "4", "preset": "ultrafast"})
        stream.height, stream.width, stream.pix_fmt = *size, "yuv444p"
        for leg in legs:
            picture = discs(size, leg, 7)
            picture = cv2.GaussianBlur(picture, (0, 0), 5) if soft else picture
            out.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")))
        out.mux(stream.encode(None))
    return path
