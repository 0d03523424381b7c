"""What the command line asks of alarms, as orders for the engine. Pure."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from math import isfinite
from typing import Any

from brinewatch.alarms.events import Command, Order
from brinewatch.alarms.naming import meant
from brinewatch.errors import BrinewatchError
from brinewatch.moment import Moment

ORDERS = frozenset(Order)
_WHOLE_SHED = (Order.ATTEND, Order.LEAVE)
# orders that may be given for every alarm they fit
_FOR_ALL = (Order.ACKNOWLEDGE, Order.RESET, Order.UNSHELVE, Order.RESTORE)


def order_of(request: Mapping[str, Any], alarms: Collection[str], at: Moment) -> Command:
    """The order in one request of the control socket: do, and what, for_s, once, why, by as the order needs.

    what: an alarm's number, its name, or "all". alarms: the ids there are. Raises BrinewatchError for a request
    that means no one alarm, or says no time that can be.
    """
    order = Order(request["do"])
    number, alarm = None, ""
    if order not in _WHOLE_SHED:
        number, alarm = _which(order, request.get("what", request.get("number")), alarms)
    for_s = request.get("for_s")
    if for_s is not None and not _finite(for_s):
        raise BrinewatchError(f"{_short(for_s)} is no length of time in seconds.")
    return Command(
        order, number, str(request.get("by") or "the command line"), at, alarm,
        None if for_s is None else float(for_s), bool(request.get("once")), str(request.get("why") or ""),
    )  # fmt: skip


def entry_of(request: Mapping[str, Any]) -> tuple[str, float, str | None]:
    """The point, value and unit of a value entered by hand; unit None for that of its kit. BrinewatchError else."""
    point, value, unit = request.get("point"), request.get("value"), request.get("unit")
    if value is None or not _finite(value):
        raise BrinewatchError(f"{_short(value)} is not a number.", "Enter a number.")
    if unit is not None and not isinstance(unit, str):
        raise BrinewatchError(f"{_short(unit)} is no unit.", "Name the unit, or leave it out.")
    return str(point), float(value), unit


def _finite(value: Any) -> bool:
    """Whether this is a number that a float can hold."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    try:
        return isfinite(value)
    except OverflowError:  # a whole number of hundreds of digits
        return False


def _short(value: Any) -> str:
    text = repr(value) if not isinstance(value, int) or abs(value) < 1e40 else "a number of that size"
    return text if len(text) <= 60 else f"{text[:60]}..."


def _which(order: Order, what: object, alarms: Collection[str]) -> tuple[int | None, str]:
    if what is None or what == "all":
        if order in _FOR_ALL:
            return None, ""
        raise BrinewatchError(f"To {order}, one alarm is named.", "Give its number or its name.")
    if isinstance(what, int) and not isinstance(what, bool):
        return what, ""
    text = str(what)
    return (int(text), "") if text.isdecimal() else (None, meant(text, alarms))
