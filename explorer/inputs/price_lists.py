"""Price lists as they come: prices.csv and offers of suppliers become the prices in force."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import groupby

from explorer.errors import Fault, nearest
from explorer.inputs.csv_tables import Row, TableColumns, TableReader, content_hash
from explorer.inputs.notation import cleaned
from explorer.inputs.prices import Offer, OldPrice, Price, Prices, PriceTerms
from explorer.inputs.shop_notation import Notation, Unread, shows_decimals

Held = tuple[Row, Price]
"""A price and the row that it is from."""


def read_prices(
    reader: TableReader, name: str, parts: Sequence[str] | None, terms: PriceTerms | None
) -> tuple[Prices | None, frozenset[str] | None]:
    """Prices in force, and the ids that have a row; None where prices.csv cannot be read, and for
    the ids where nobody can say which rows of an offer are of our parts.

    `parts` are the ids that may be priced, None when a table of parts is unread. Of a supplier's
    prices of a part for one quantity the newest holds; prices.csv counts as a supplier, or as those
    whom its column names, and each offer as one. An old price holds for quantities that no younger
    one covers. `terms` None skips currencies and offers: the study that states them is itself at
    fault.
    """
    known = (terms.currency, *terms.rates) if terms else ()
    rows = reader.rows(name, TableColumns.of(Price), id_column="part", titled=True)
    if rows is not None:
        rows = [_in_our_notation(reader, row, Notation(".", True, known)) for row in rows]
    listed = frozenset(row.id for row in rows or ())
    found = _newest(reader, _of_known_parts(reader, rows or (), parts), "")
    for offer in terms.offers if terms else ():
        offered = _offer_rows(reader, offer, parts, known)
        listed |= {row.id for row in offered}
        found += _newest(reader, offered, offer.file)
    by_part: dict[str, list[Held]] = {}
    for row, price in sorted(found, key=lambda pair: pair[1].from_quantity):
        by_part.setdefault(price.part, []).append((row, price))
    for (row, price), *_ in by_part.values():
        if price.from_quantity > 1:
            rule = "must also have a price from quantity 1"
            reader.faults.append(row.fault("from_quantity", rule))
    if rows is None:
        return None, None
    if terms is None:
        return None, listed
    if parts is None and terms.offers:
        return None, None
    _note_currencies(reader, found, terms)
    held = {part: _in_force(reader, pairs, terms) for part, pairs in by_part.items()}
    _note_dearer_breaks(reader, held, terms)
    in_force = {part: _stocked([price for _, price in pairs]) for part, pairs in held.items()}
    return Prices(
        breaks=in_force,
        currency=terms.currency,
        rates=terms.rates,
        content_hash=content_hash([_digest(in_force), terms.currency, dict(terms.rates)]),
    ), listed


def _digest(in_force: Mapping[str, Sequence[Price]]) -> list[tuple[object, ...]]:
    """What of the prices decides costs."""
    return sorted(
        (one.part, one.from_quantity, one.amount, one.currency)
        + (() if one.available is None else (one.available,))
        + ((f"until {one.until_quantity}",) if isinstance(one, OldPrice) else ())
        for prices in in_force.values()
        for one in prices
    )


def _newest(reader: TableReader, rows: Iterable[Row], file: str) -> list[Held]:
    """The prices of a file, of each supplier the newest of a part and quantity. `file` is the
    supplier of rows that name none.
    """
    found: dict[tuple[str, str, int], Held] = {}
    for row in rows:
        price = reader.record(row, Price)
        if price is None:
            continue
        if file:
            price = price.model_copy(update={"supplier": file})
        key = (price.supplier, price.part, price.from_quantity)
        first, other = found.setdefault(key, (row, price))
        if first is not row and other.dated == price.dated:
            rule = f"must be unique for a quantity, row {first.number} has it too"
            reader.faults.append(row.fault("part", rule, price.part))
        elif other.dated < price.dated:
            found[key] = (row, price)
    return list(found.values())


def _in_force(reader: TableReader, prices: Sequence[Held], terms: PriceTerms) -> list[Held]:
    """The prices of a part, by rising quantity; old ones only for quantities that no younger one
    covers, and named, with what became of them.
    """

    def age(price: Price) -> int:
        return (reader.today - price.dated).days

    held = []
    younger = next((pair for pair in prices if age(pair[1]) <= terms.old_after_days), None)
    for row, price in prices:
        if age(price) <= terms.old_after_days:
            held.append((row, price))
            continue
        words = (
            f"{row.file}: row {row.number} ({price.part}): "
            f"the price of {price.dated} is {age(price)} days old"
        )
        if younger is not None:
            other, first = younger
            where = f"in row {other.number} of {other.file}"
            if first.from_quantity <= price.from_quantity:
                reader.notes.append(f"{words} and does not count beside the younger one {where}")
                continue
            words += f"; from {first.from_quantity} pieces on the younger one {where} counts"
            price = OldPrice(**price.model_dump(by_alias=True), until_quantity=first.from_quantity)
        held.append((row, price))
        reader.notes.append(words)
    return held


def _note_dearer_breaks(
    reader: TableReader, held: Mapping[str, Sequence[Held]], terms: PriceTerms
) -> None:
    """Note breaks at which one piece is dearer than at the same supplier's for fewer pieces."""
    for prices in held.values():
        cheapest: dict[tuple[str, str], Price] = {}
        for _, same in groupby(prices, key=lambda pair: pair[1].from_quantity):
            together = list(same)
            for row, price in together:
                least = cheapest.get((price.supplier, price.currency))
                if least is not None and least.amount < price.amount:
                    reader.notes.append(
                        f"{row.file}: row {row.number} ({price.part}): from {price.from_quantity} "
                        f"pieces one costs {price.amount:g} {price.currency}, from "
                        f"{least.from_quantity} only {least.amount:g}"
                    )
            for _, price in together:
                before = cheapest.setdefault((price.supplier, price.currency), price)
                if price.amount < before.amount:
                    cheapest[price.supplier, price.currency] = price


def _stocked(prices: Sequence[Price]) -> tuple[Price, ...]:
    """The prices of a part, where a supplier's rows without a stock have that of the others: the
    least, should they differ.
    """
    stocks: dict[str, int] = {}
    for one in prices:
        if one.available is not None:
            stocks[one.supplier] = min(one.available, stocks.get(one.supplier, one.available))
    return tuple(
        one.model_copy(update={"available": stocks[one.supplier]})
        if one.supplier in stocks
        else one
        for one in prices
    )


def _of_known_parts(
    reader: TableReader, rows: Iterable[Row], parts: Sequence[str] | None
) -> list[Row]:
    known, valid = [], frozenset(parts or ())
    for row in rows:
        if row.id and parts is not None and row.id not in valid:
            hint = nearest(row.id, tuple(parts))
            reader.faults.append(row.fault("part", "is in no table of parts", row.id, hint))
        else:
            known.append(row)
    return known


def _offer_rows(
    reader: TableReader,
    offer: Offer,
    parts: Sequence[str] | None,
    currencies: Sequence[str],
) -> list[Row]:
    """The rows of an offer that are of our parts, under our names and in our notation."""
    columns = {ours: cleaned(theirs) for ours, theirs in offer.columns if theirs is not None}
    lines = reader.lines(offer.file, offer.separator, tuple(columns.values()))
    if lines is None:
        return []
    (number, header), *rest = lines
    missing = [theirs for theirs in columns.values() if theirs not in header]
    for theirs in missing:
        hint = nearest(theirs, tuple(header))
        rule = "has no such column as the study's [[prices.offers]] names"
        reader.faults.append(Fault(reader.shown(offer.file), f"row {number}", rule, theirs, hint))
    twice = [theirs for theirs in dict.fromkeys(columns.values()) if header.count(theirs) > 1]
    for theirs in twice:
        rule = "must have each column that the study's [[prices.offers]] names once"
        reader.faults.append(Fault(reader.shown(offer.file), f"row {number}", rule, theirs))
    if missing or twice:
        return []
    at, known = header.index(columns["part"]), frozenset(parts or ())
    names = {cleaned(theirs): ours for theirs, ours in offer.names.items()}
    ours = [
        (number, line)
        for number, line in rest
        if len(line) > at and names.get(line[at], line[at]) in known
    ]
    if len(ours) < len(rest):
        passed = len(rest) - len(ours)
        rows_are = "row is" if passed == 1 else "rows are"
        reader.notes.append(
            f"{reader.shown(offer.file)}: {passed} {rows_are} of no part in the tables"
        )
    constant = {"currency": offer.currency or "", "dated": str(offer.dated or "")}
    rows = list(reader.mapped(offer.file, header, ours, columns, "part"))
    sure = "decimal" in offer.model_fields_set or shows_decimals(
        (row.cells.get("price", "") for row in rows), offer.decimal
    )
    notation = Notation(offer.decimal, sure, currencies, offer.day_first)
    found = []
    for row in rows:
        part = names.get(row.id, row.id)
        cells = {**constant, **row.cells, "part": part} if row.cells else {}
        named = Row(row.file, row.number, part, cells, row.labels)
        found.append(_in_our_notation(reader, named, notation))
    return found


def _in_our_notation(reader: TableReader, row: Row, notation: Notation) -> Row:
    """The row with numbers, currency and day as we write them; a fault for what may be misread.

    What looks like nothing of the kind is left to the record's own check.
    """
    cells, marked = dict(row.cells), ""

    def price(text: str) -> str:
        nonlocal marked
        number, marked = notation.price(text)
        return number

    readers = {
        "price": price,
        "from_quantity": notation.whole,
        "available": notation.whole,
        "currency": notation.currency,
        "dated": notation.day,
    }
    read_all = True
    for column, read in readers.items():
        text = cells.get(column, "")
        try:
            if text:
                cells[column] = read(text)
        except Unread as error:
            reader.faults.append(row.fault(column, str(error), text, error.hint))
            del cells[column]  # its fault is named
            read_all = False
    if read_all and marked and cells.get("currency") not in (None, "", marked):
        rule = f"must be in {cells['currency']}, as its currency says"
        reader.faults.append(row.fault("price", rule, row.cells["price"]))
        del cells["price"]
    elif read_all and marked:
        cells["currency"] = marked
    # Without its quantity a price would be that of one piece: such a row counts no further.
    known = all(column in cells for column in ("from_quantity", "available") if column in row.cells)
    return Row(row.file, row.number, row.id, cells if known else {}, row.labels)


def _note_currencies(reader: TableReader, found: Iterable[Held], terms: PriceTerms) -> None:
    """Note currencies without a rate, once each."""
    known = {terms.currency, *terms.rates}
    for row, price in found:
        if price.currency not in known:
            known.add(price.currency)
            rule = f"must be {terms.currency} or have a rate in the study's [prices] rates"
            reader.faults.append(row.fault("currency", rule, price.currency))
