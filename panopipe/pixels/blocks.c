/* See blocks.py. */
#include "entropy.h"

/* Columns of the table of components. */
enum { FIRST_TABLE, NEXT_TABLE, ACROSS, DOWN, STRIDE, PLACE, MOST_FIRST, FIELDS };

typedef struct {
    const Codes *first, *next; /* codes of a block's first coefficient, and of the others */
    int across, down;          /* blocks in a unit */
    Py_ssize_t stride, place;  /* blocks in a row of them, and the first one's place among `seen` */
    int32_t most, value;       /* of the first coefficient: largest size, and the last one */
} Component;

typedef struct {
    Py_ssize_t units, rows, restart;
    int from, to, refines, low; /* coefficients, and the bits of theirs */
    int count;
    Component component[4];
    uint64_t *seen; /* a bit for each coefficient of a block that is not 0 */
    int32_t run;    /* blocks to come without further coefficients */
} Scan;

/* T.81, table F.1 and F.2.2.1: the difference from the block before. */
INLINE int first_coefficient(Bits *bits, Component *here, int low)
{
    uint64_t word = next_bits(bits);
    int found = code_of(word, here->first), length = found >> 8, more = found & 255;
    if (!found || more > 15)
        return NO_SUCH_CODE;
    bits->bit += (uint64_t)(length + more);
    int32_t value = (int32_t)((word << length >> 1) >> (63 - more));
    here->value += value < (1 << more) >> 1 ? value - (1 << more) + 1 : value;
    int64_t size = (int64_t)(here->value < 0 ? -here->value : here->value) << low;
    return here->most && size > here->most ? BEYOND : 0;
}

/* F.2.2.2, and G.1.2.2 for runs of blocks that have no more. */
INLINE int further_coefficients(Bits *bits, Scan *scan, const Codes *codes, uint64_t *seen)
{
    int at = scan->from > 1 ? scan->from : 1;
    if (scan->run) {
        scan->run--;
        return 0;
    }
    while (at <= scan->to) {
        uint64_t word = next_bits(bits);
        int found = code_of(word, codes), length = found >> 8, zeros = found >> 4 & 15, more = found & 15;
        if (!found)
            return NO_SUCH_CODE;
        if (!more && zeros < 15) {
            if (zeros && !scan->from) /* runs are of progressive scans only */
                return NO_SUCH_CODE;
            bits->bit += (uint64_t)(length + zeros);
            scan->run = (1 << zeros) + (int32_t)((word << length >> 1) >> (63 - zeros)) - 1;
            return 0;
        }
        bits->bit += (uint64_t)(length + more);
        at += zeros;
        if (more && at > scan->to)
            return BEYOND;
        if (seen && more)
            *seen |= (uint64_t)1 << at;
        at++;
    }
    return 0;
}

/* Skip a bit for each coefficient that was there, up to `zeros` that were not; returns the place behind. */
INLINE int corrected(Bits *bits, const Scan *scan, uint64_t seen, int at, int zeros)
{
    for (; at <= scan->to; at++) {
        if (seen >> at & 1)
            bits->bit++;
        else if (zeros-- == 0)
            break;
    }
    return at;
}

/* G.1.2.3: one bit more of each. */
INLINE int refined_coefficients(Bits *bits, Scan *scan, const Codes *codes, uint64_t *seen)
{
    int at = scan->from;
    while (!scan->run && at <= scan->to) {
        uint64_t word = next_bits(bits), before = *seen;
        int found = code_of(word, codes), length = found >> 8, zeros = found >> 4 & 15, more = found & 15;
        if (!found || more > 1)
            return NO_SUCH_CODE;
        bits->bit += (uint64_t)(length + more);
        if (!more && zeros < 15) {
            bits->bit += (uint64_t)zeros;
            scan->run = (1 << zeros) + (int32_t)((word << length >> 1) >> (63 - zeros));
            break;
        }
        at = corrected(bits, scan, before, at, zeros);
        if (more && at > scan->to)
            return BEYOND;
        if (more)
            *seen |= (uint64_t)1 << at;
        at++;
    }
    if (scan->run) {
        corrected(bits, scan, *seen, at, 64);
        scan->run--;
    }
    return 0;
}

INLINE int read_block(Bits *bits, Scan *scan, Component *here, Py_ssize_t row, Py_ssize_t column)
{
    uint64_t *seen = scan->seen ? scan->seen + here->place + row * here->stride + column : NULL;
    int wrong = 0;
    if (scan->from == 0) {
        if (scan->refines)
            bits->bit++;
        else
            wrong = first_coefficient(bits, here, scan->low);
    }
    if (!wrong && scan->to)
        wrong = scan->refines && scan->from ? refined_coefficients(bits, scan, here->next, seen)
                                            : further_coefficients(bits, scan, here->next, seen);
    return is_past_end(bits) ? RAN_OUT : wrong;
}

INLINE int read_unit(Bits *bits, Scan *scan, Py_ssize_t unit)
{
    Py_ssize_t row = unit / scan->units, column = unit % scan->units;
    for (int i = 0; i < scan->count; i++) {
        Component *here = &scan->component[i];
        for (int y = 0; y < here->down; y++)
            for (int x = 0; x < here->across; x++) {
                int wrong = read_block(bits, scan, here, row * here->down + y, column * here->across + x);
                if (wrong)
                    return wrong;
            }
    }
    return 0;
}

static Py_ssize_t read_scan(const uint8_t *data, Py_ssize_t size, Py_ssize_t at, Scan *scan, Bits *bits)
{
    Py_ssize_t count = scan->units * scan->rows, number = 0;
    for (Py_ssize_t first = 0; first < count; first += scan->restart) {
        if (first && (at = behind_restart(data, size, at, number++)) < 0)
            return NO_RESTART;
        at = take_interval(data, size, at, bits);
        scan->run = 0;
        for (int i = 0; i < scan->count; i++)
            scan->component[i].value = 0;
        Py_ssize_t last = count - first < scan->restart ? count : first + scan->restart;
        for (Py_ssize_t unit = first; unit < last; unit++) {
            int wrong = read_unit(bits, scan, unit);
            if (wrong)
                return wrong;
        }
        int wrong = scan->run ? LEFT_OVER : interval_end(bits);
        if (wrong)
            return wrong;
    }
    return at;
}

/* Whether the tables are there, and all blocks lie inside `seen`. */
static int take_component(Component *here, const int32_t *fields, const uint8_t *tables, Py_ssize_t held, Codes *codes,
                          const Scan *scan, Py_ssize_t blocks)
{
    here->across = fields[ACROSS];
    here->down = fields[DOWN];
    here->stride = fields[STRIDE];
    here->place = fields[PLACE];
    here->most = fields[MOST_FIRST];
    here->first = codes;
    here->next = codes + 1;
    for (int i = 0; i < 2; i++)
        if (fields[FIRST_TABLE + i] < 0 || fields[FIRST_TABLE + i] >= held
            || read_codes(tables + fields[FIRST_TABLE + i] * TABLE_BYTES, codes + i) < 0)
            return 0;
    if (here->across < 1 || here->across > 4 || here->down < 1 || here->down > 4 || here->place < 0)
        return 0;
    Py_ssize_t last = (scan->rows * here->down - 1) * here->stride + scan->units * here->across;
    return !blocks || (scan->units * here->across <= here->stride && here->place + last <= blocks);
}

static const Argument arguments[] = {
    {"data", 'B', 0, 1, {-1}}, {"tables", 'B', 0, 2, {-2, TABLE_BYTES}}, {"components", 'i', 0, 2, {-3, FIELDS}},
    {"form", 'i', 0, 1, {7}}, {"seen", 'i', 1, 2, {-4, 2}}};

PyObject *blocks_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[5];
    Arrays arrays;
    Py_ssize_t start, end = NO_SUCH_CODE;
    (void)self;
    if (!PyArg_ParseTuple(args, "OnOOOO", &given[0], &start, &given[1], &given[2], &given[3], &given[4])
        || open_arrays(given, arguments, 5, &arrays) < 0)
        return NULL;
    const Py_ssize_t *length = arrays.length;
    const int32_t *form = arrays.view[3].buf, *fields = arrays.view[2].buf;
    Scan scan = {form[0], form[1], form[2], form[3], form[4], form[5], form[6], (int)length[2], {{0}}, NULL, 0};
    Codes *codes = PyMem_Malloc(8 * sizeof *codes);
    Bits bits = {NULL, 0, 0};
    int is_good = codes && length[2] >= 1 && length[2] <= 4 && start >= 0 && start <= length[0] && scan.units >= 1
                  && scan.rows >= 1 && scan.restart >= 1 && scan.from >= 0 && scan.from <= scan.to && scan.to <= 63
                  && scan.low >= 0 && scan.low < 14 && (length[3] || !(scan.refines && scan.from));
    for (int i = 0; is_good && i < scan.count; i++)
        is_good = take_component(&scan.component[i], fields + i * FIELDS, arrays.view[1].buf, length[1], codes + 2 * i,
                                 &scan, length[3]);
    /* The end of the bytes is looked for behind each block, whose coefficients take up to 32 bits. */
    if (is_good && open_bits(&bits, length[0] - start, 64 * 4) == 0) {
        scan.seen = length[3] ? arrays.view[4].buf : NULL;
        Py_BEGIN_ALLOW_THREADS
        end = read_scan(arrays.view[0].buf, length[0], start, &scan, &bits);
        Py_END_ALLOW_THREADS
    }
    return end_scan(&arrays, codes, &bits, is_good, end);
}
