"""Vectors of eight doubles for compiled code: a recursion over time runs on eight channels at once, one in each lane.

The compiler does not find these lanes by itself in a recursion. A kernel loads a vector, reckons with it by +, - and *, and stores
it; rounding is that of each lane alone, so a kernel written so equals its scalar twin to the last bit. Machines without registers
of eight doubles take two or four.
"""

from __future__ import annotations

import operator
from typing import Any, Final

from llvmlite import ir
from numba.core import types
from numba.core.typing.templates import AbstractTemplate, infer_global, signature
from numba.extending import intrinsic, lower_builtin, models, register_model

LANES: Final = 8
"""Channels in a vector: what the widest common registers hold as doubles (512 bits)."""
_WIDE: Final = ir.VectorType(ir.DoubleType(), LANES)
_INTEGERS: Final = ir.VectorType(ir.IntType(64), LANES)
_ALIGNMENT: Final = 8
"""Bytes: an array's doubles need not lie as a whole vector would."""


class DoublesType(types.Type):
    """Type of a vector in compiled code."""

    def __init__(self) -> None:
        super().__init__(name=f"Doubles{LANES}")


doubles: Final = DoublesType()


@register_model(DoublesType)
class _DoublesModel(models.PrimitiveModel):
    """Vector as it lies in a register."""

    def __init__(self, manager: Any, number_type: Any) -> None:
        super().__init__(manager, number_type, _WIDE)


def _define(operation: Any, instruction: str) -> None:
    """Give two vectors an operator that is one instruction."""

    @infer_global(operation)
    class _Operation(AbstractTemplate):
        key = operation

        def generic(self, args: Any, _named: Any) -> Any:
            return signature(doubles, doubles, doubles) if args == (doubles, doubles) else None

    lower_builtin(operation, doubles, doubles)(
        lambda _context, builder, _signature, args: getattr(builder, instruction)(args[0], args[1])
    )


for _operation, _instruction in (
    (operator.add, "fadd"),
    (operator.sub, "fsub"),
    (operator.mul, "fmul"),
    (operator.truediv, "fdiv"),
):
    _define(_operation, _instruction)


def _pointer(context: Any, builder: Any, array_type: Any, array: Any, index: Any) -> Any:
    data = context.make_array(array_type)(context, builder, array).data
    return builder.bitcast(builder.gep(data, [index]), _WIDE.as_pointer())


def _load(_typing: Any, array: Any, index: Any) -> Any:  # noqa: ARG001 - named for whoever calls
    """Vector of the doubles of a flat array from an index on."""

    def emit(context: Any, builder: Any, call: Any, args: Any) -> Any:
        value = builder.load(_pointer(context, builder, call.args[0], args[0], args[1]))
        value.align = _ALIGNMENT
        return value

    return doubles(array, types.int64), emit


def _store(_typing: Any, array: Any, index: Any, value: Any) -> Any:  # noqa: ARG001
    """Write a vector into a flat array from an index on."""

    def emit(context: Any, builder: Any, call: Any, args: Any) -> Any:
        written = builder.store(args[2], _pointer(context, builder, call.args[0], args[0], args[1]))
        written.align = _ALIGNMENT
        return context.get_dummy_value()

    return types.void(array, types.int64, doubles), emit


def _splat(_typing: Any, value: Any) -> Any:  # noqa: ARG001
    """Vector of one double in every lane."""

    def emit(_context: Any, builder: Any, _call: Any, args: Any) -> Any:
        first = builder.insert_element(ir.Constant(_WIDE, ir.Undefined), args[0], ir.IntType(32)(0))
        return builder.shuffle_vector(first, first, ir.Constant(ir.VectorType(ir.IntType(32), LANES), [0] * LANES))

    return doubles(types.float64), emit


def _where_greater(_typing: Any, left: Any, right: Any, chosen: Any, other: Any) -> Any:  # noqa: ARG001
    """Lanes of `chosen` where left > right, of `other` elsewhere."""

    def emit(_context: Any, builder: Any, _call: Any, args: Any) -> Any:
        return builder.select(builder.fcmp_ordered(">", args[0], args[1]), args[2], args[3])

    return doubles(doubles, doubles, doubles, doubles), emit


def _swapped(_typing: Any, value: Any) -> Any:  # noqa: ARG001
    """Vector whose neighbours, the first and second lane, the third and fourth, ... have changed places: the other side of a pair."""

    def emit(_context: Any, builder: Any, _call: Any, args: Any) -> Any:
        order = [lane ^ 1 for lane in range(LANES)]
        return builder.shuffle_vector(args[0], args[0], ir.Constant(ir.VectorType(ir.IntType(32), LANES), order))

    return doubles(doubles), emit


def _constants(kind: Any, value: float) -> Any:
    """Vector of eight times one constant."""
    return ir.Constant(kind, [value] * LANES)


def _emit_decibels(_context: Any, builder: Any, _call: Any, args: Any) -> Any:
    """Emit exponent and logarithm of the mantissa: a series in (m - sqrt 2) / (m + sqrt 2), its first term left out below 1e-9."""

    def number(value: float) -> Any:
        return _constants(_WIDE, value)

    add, times = builder.fadd, builder.fmul
    power = add(args[0], number(1e-20))
    bits = builder.bitcast(power, _INTEGERS)
    # a small integer under the bits of 2^52 is 2^52 plus the integer
    exponent = builder.or_(builder.ashr(bits, _constants(_INTEGERS, 52)), _constants(_INTEGERS, 0x4330000000000000))
    mantissa = builder.or_(
        builder.and_(bits, _constants(_INTEGERS, 0x000FFFFFFFFFFFFF)), _constants(_INTEGERS, 0x3FF0000000000000)
    )
    exponent, mantissa = builder.bitcast(exponent, _WIDE), builder.bitcast(mantissa, _WIDE)
    root = number(2.0**0.5)
    t = builder.fdiv(builder.fsub(mantissa, root), add(mantissa, root))
    q = times(t, t)
    series = number(1.0 / 11.0)
    for coefficient in (1.0 / 9.0, 1.0 / 7.0, 0.2, 1.0 / 3.0, 1.0):
        series = add(number(coefficient), times(q, series))
    whole = builder.fsub(builder.fsub(exponent, number(4503599627370496.0)), number(1022.5))
    return times(number(3.0102999566398120), add(whole, times(number(2.8853900817779268), times(t, series))))


def _emit_gain(_context: Any, builder: Any, _call: Any, args: Any) -> Any:
    """Emit 2^x: its whole part as an exponent, the rest as the series of e^x, its first term left out below 1e-10."""

    def number(value: float) -> Any:
        return _constants(_WIDE, value)

    add, times = builder.fadd, builder.fmul
    # what is added to 1.5 * 2^52 is rounded to an integer in its low bits
    big = number(6755399441055744.0)
    octaves = times(args[0], number(0.16609640474436813))
    rounded = add(octaves, big)
    f = times(builder.fsub(octaves, builder.fsub(rounded, big)), number(0.6931471805599453))
    series = number(1.0 / 40320.0)
    for factorial in (5040.0, 720.0, 120.0, 24.0, 6.0, 2.0):
        series = add(number(1.0 / factorial), times(f, series))
    gain = add(number(1.0), times(f, add(number(1.0), times(f, series))))
    exponent = builder.shl(
        builder.add(builder.bitcast(rounded, _INTEGERS), _constants(_INTEGERS, 1023)), _constants(_INTEGERS, 52)
    )
    return times(gain, builder.bitcast(exponent, _WIDE))


def _decibels(_typing: Any, power: Any) -> Any:  # noqa: ARG001
    """10 lg of each power plus 1e-20 (-200 dB), within 1e-9 dB."""
    return doubles(doubles), _emit_decibels


def _gain_of(_typing: Any, gain_db: Any) -> Any:  # noqa: ARG001
    """10^(x / 20) of each lane, within 1e-9 of itself, for -2000 to 2000 dB."""
    return doubles(doubles), _emit_gain


load: Final[Any] = intrinsic(_load)
store: Final[Any] = intrinsic(_store)
splat: Final[Any] = intrinsic(_splat)
where_greater: Final[Any] = intrinsic(_where_greater)
swapped: Final[Any] = intrinsic(_swapped)
decibels: Final[Any] = intrinsic(_decibels)
gain_of: Final[Any] = intrinsic(_gain_of)
