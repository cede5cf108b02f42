/* Intervals and codes of entropy-coded data; see entropy.py. */
#include "entropy.h"

int read_codes(const uint8_t *table, Codes *codes)
{
    int32_t code = 0, place = 0;
    memset(codes, 0, sizeof *codes);
    memcpy(codes->symbols, table + 16, 256);
    for (int length = 1; length <= 16; length++) {
        int count = table[length - 1];
        if (place + count > 256 || code + count > 1 << length)
            return -1;
        codes->place[length] = place - code;
        for (int i = 0; i < count && length <= FIRST_BITS; i++) {
            int same = 1 << (FIRST_BITS - length);
            for (int j = 0; j < same; j++)
                codes->first[(code + i) * same + j] = (uint16_t)(length << 8 | codes->symbols[place + i]);
        }
        code += count;
        place += count;
        codes->end[length] = code;
        code <<= 1;
    }
    return 0;
}

int open_bits(Bits *bits, Py_ssize_t size, Py_ssize_t slack)
{
    bits->bytes = PyMem_Calloc((size_t)(size + slack + 64), 1);
    return bits->bytes ? 0 : -1;
}

PyObject *end_scan(Arrays *arrays, Codes *codes, Bits *bits, int is_good, Py_ssize_t end)
{
    int failed = !codes || (is_good && !bits->bytes);
    PyMem_Free(bits->bytes);
    PyMem_Free(codes);
    close_arrays(arrays);
    return failed ? PyErr_NoMemory() : PyLong_FromSsize_t(end);
}

Py_ssize_t take_interval(const uint8_t *data, Py_ssize_t size, Py_ssize_t at, Bits *bits)
{
    bits->count = 0;
    bits->bit = 0;
    while (at < size) {
        const uint8_t *mark = memchr(data + at, 0xFF, (size_t)(size - at));
        Py_ssize_t until = mark ? mark - data : size;
        memcpy(bits->bytes + bits->count, data + at, (size_t)(until - at));
        bits->count += until - at;
        at = until;
        while (at + 1 < size && data[at + 1] == 0xFF) /* fill bytes, T.81 B.1.1.2 */
            at++;
        if (at + 1 >= size || data[at + 1])
            break;
        bits->bytes[bits->count++] = 0xFF;
        at += 2;
    }
    memset(bits->bytes + bits->count, 0, 16);
    return at + 1 >= size ? size : at;
}

/* At most three whole bytes may stand behind the last symbol, as a coder that writes words leaves them; they and
   the rest of the last byte are all ones (T.81, F.1.2.3) or all zeros. */
int interval_end(const Bits *bits)
{
    if (is_past_end(bits))
        return RAN_OUT;
    uint64_t left = (uint64_t)bits->count * 8 - bits->bit;
    if (left > 31)
        return LEFT_OVER;
    uint64_t rest = left ? next_bits(bits) >> (64 - left) : 0;
    return !rest || rest == ((uint64_t)1 << left) - 1 ? 0 : LEFT_OVER;
}

Py_ssize_t behind_restart(const uint8_t *data, Py_ssize_t size, Py_ssize_t at, Py_ssize_t number)
{
    return at + 1 < size && data[at + 1] == 0xD0 + number % 8 ? at + 2 : NO_RESTART;
}
