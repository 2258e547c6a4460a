"""How compiled code reads packed tuples (`packed`) by their addresses.

A handle is the address of a packed tuple, a row the address and length of an array in it. Nobody counts who holds
them, which took a third of the time of a run; whoever calls the entry keeps them. Compiled code is told what holds for
its time: words do not change, neither do the numbers of a problem, and whole numbers never lie where others do. So it
need not read them again after each number it writes. Rows are read from 0 on: unlike lists, they do not count
from their ends.
"""

from __future__ import annotations

import operator
from functools import cache
from typing import Any

from bronzeward.growth.packed import WORD, annotated
from bronzeward.growth.problem import Problem


@cache
def handle_type() -> Any:
    """The type of handles, made known to numba: `handle_type()(Work)` is that of a work space."""
    from llvmlite import ir
    from numba.core import cgutils, types
    from numba.core.datamodel import models
    from numba.core.typing.templates import AttributeTemplate, infer_getattr
    from numba.extending import lower_getattr_generic, register_model

    numbers = {"int": types.int64, "float": types.float64}
    in_rows = {"Counts": types.int64, "Numbers": types.float64}

    class Handle(types.Type):
        def __init__(self, tuple_kind: Any) -> None:
            self.held, self.place, place = {}, {}, 0
            for name, told in zip(tuple_kind._fields, annotated(tuple_kind), strict=True):
                is_row = told in in_rows
                self.held[name] = row_type()(in_rows[told], tuple_kind is Problem) if is_row else numbers[told]
                self.place[name] = place
                place += 2 if is_row else 1
            super().__init__(name=f"Handle({tuple_kind.__name__})")

    @register_model(Handle)
    class HandleModel(models.PrimitiveModel):
        def __init__(self, manager: Any, kind: Any) -> None:
            super().__init__(manager, kind, ir.PointerType(ir.IntType(8)))

    @infer_getattr
    class HandleAttributes(AttributeTemplate):
        key = Handle

        def generic_resolve(self, kind: Any, name: str) -> Any:  # type: ignore[override]
            return kind.held.get(name)

    @lower_getattr_generic(Handle)  # type: ignore[untyped-decorator]
    def read(context: Any, builder: Any, kind: Any, pointer: Any, name: str) -> Any:
        def word(place: int, of: Any) -> Any:
            at = builder.bitcast(cgutils.gep_inbounds(builder, pointer, place * WORD), ir.PointerType(of))
            return unchanging(builder, builder.load(at))

        place, held = kind.place[name], kind.held[name]
        if not isinstance(held, row_type()):
            return word(place, context.get_value_type(held))
        row = cgutils.create_struct_proxy(held)(context, builder)
        row.data, row.size = word(place, ir.PointerType(context.get_data_type(held.dtype))), word(place + 1, row.size.type)
        return row._getvalue()

    return Handle


@cache
def row_type() -> Any:
    """The type of rows, made known to numba: `row_type()(dtype, fixed)`, of numbers that nobody changes if `fixed`."""
    from llvmlite import ir
    from numba.core import cgutils, types
    from numba.core.datamodel import models
    from numba.core.typing.templates import AbstractTemplate, infer_global, signature
    from numba.extending import lower_builtin, register_model

    class Row(types.Type):
        def __init__(self, dtype: Any, fixed: bool) -> None:
            self.dtype, self.fixed = dtype, fixed
            super().__init__(name=f"Row({dtype}, {fixed})")

    @register_model(Row)
    class RowModel(models.StructModel):
        def __init__(self, manager: Any, kind: Any) -> None:
            super().__init__(manager, kind, [("data", types.CPointer(kind.dtype)), ("size", types.intp)])

    @infer_global(operator.getitem)
    class Reading(AbstractTemplate):
        def generic(self, arguments: Any, _keywords: Any) -> Any:
            if isinstance(arguments[0], Row) and isinstance(arguments[1], types.Integer):
                return signature(arguments[0].dtype, arguments[0], types.intp)
            return None

    @infer_global(operator.setitem)
    class Writing(AbstractTemplate):
        def generic(self, arguments: Any, _keywords: Any) -> Any:
            if isinstance(arguments[0], Row) and isinstance(arguments[1], types.Integer):
                return signature(types.none, arguments[0], types.intp, arguments[0].dtype)
            return None

    @infer_global(len)
    class Length(AbstractTemplate):
        def generic(self, arguments: Any, _keywords: Any) -> Any:
            return signature(types.intp, *arguments) if isinstance(arguments[0], Row) else None

    def row_of(context: Any, builder: Any, kind: Any, value: Any) -> Any:
        return cgutils.create_struct_proxy(kind)(context, builder, value=value)

    def marked(builder: Any, kind: Any, instruction: Any) -> Any:
        """A load or store, marked so that whole numbers are known to lie apart from others."""
        module = builder.module
        zero = ir.Constant(ir.IntType(64), 0)
        root = module.add_metadata([ir.MetaDataString(module, "numbers in rows")])
        number = module.add_metadata([ir.MetaDataString(module, str(kind.dtype)), root, zero])
        instruction.set_metadata("tbaa", module.add_metadata([number, number, zero]))
        return instruction

    @lower_builtin(operator.getitem, Row, types.intp)  # type: ignore[untyped-decorator]
    def read(context: Any, builder: Any, told: Any, arguments: Any) -> Any:
        kind, (value, place) = told.args[0], arguments
        data = row_of(context, builder, kind, value).data
        number = marked(builder, kind, builder.load(builder.gep(data, [place], inbounds=True)))
        return unchanging(builder, number) if kind.fixed else number

    @lower_builtin(operator.setitem, Row, types.intp, types.Any)  # type: ignore[untyped-decorator]
    def write(context: Any, builder: Any, told: Any, arguments: Any) -> Any:
        kind, (value, place, number) = told.args[0], arguments
        data = row_of(context, builder, kind, value).data
        marked(builder, kind, builder.store(number, builder.gep(data, [place], inbounds=True)))
        return context.get_dummy_value()

    @lower_builtin(len, Row)  # type: ignore[untyped-decorator]
    def length(context: Any, builder: Any, told: Any, arguments: Any) -> Any:
        return row_of(context, builder, told.args[0], arguments[0]).size

    return Row


def unchanging(builder: Any, loaded: Any) -> Any:
    """A number that was loaded, marked as one that stays the same as long as compiled code runs."""
    loaded.set_metadata("invariant.load", builder.module.add_metadata([]))
    return loaded


def handle_at(tuple_kind: Any) -> Any:
    """A function of compiled code: the handle of the packed tuple at an address."""
    from llvmlite import ir
    from numba.extending import intrinsic

    kind = handle_type()(tuple_kind)

    @intrinsic
    def handle(_context: Any, address: Any) -> Any:
        def code(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
            return builder.inttoptr(arguments[0], ir.PointerType(ir.IntType(8)))

        return kind(address), code

    return handle


@cache
def word_and_empty() -> tuple[Any, Any]:
    """Functions of compiled code: the word at an address; fill some bytes from an address on with zeros."""
    from llvmlite import ir
    from numba.core import cgutils, types
    from numba.extending import intrinsic

    @intrinsic
    def word(_context: Any, address: Any) -> Any:
        def code(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
            return builder.load(builder.inttoptr(arguments[0], ir.PointerType(ir.IntType(8 * WORD))))

        return types.intp(address), code

    @intrinsic
    def empty(_context: Any, address: Any, size: Any) -> Any:
        def code(context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
            cgutils.memset(builder, builder.inttoptr(arguments[0], ir.PointerType(ir.IntType(8))), arguments[1], 0)
            return context.get_dummy_value()

        return types.void(address, size), code

    return word, empty
