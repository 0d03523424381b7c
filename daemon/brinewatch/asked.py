"""What the command line asks of alarms, as orders for the engine. Pure."""

from __future__ import annotations

from collections.abc import Collection, Mapping
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
    if for_s is not None and (isinstance(for_s, bool) or not isinstance(for_s, int | float)):
        raise BrinewatchError(f"{for_s!r} is no length of time in seconds.")
    return Command(
        order, number, str(request.get("by") or "the command line"), at, alarm,
        None if for_s is None else float(for_s), bool(request.get("once")), str(request.get("why") or ""),
    )  # fmt: skip


def _which(order: Order, what: object, alarms: Collection[str]) -> tuple[int | None, str]:
    if what is None or what == "all":
        if order in _FOR_ALL:
            return None, ""
        raise BrinewatchError(f"To {order}, one alarm is named.", "Give its number or its name.")
    if isinstance(what, int) and not isinstance(what, bool):
        return what, ""
    text = str(what)
    return (int(text), "") if text.isdecimal() else (None, meant(text, alarms))
