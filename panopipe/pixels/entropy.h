/* Huffman codes of JPEG, read from bytes that hold no stuffing; see entropy.py. */
#ifndef PANOPIPE_ENTROPY_H
#define PANOPIPE_ENTROPY_H

#include "common.h"

/* As entropy.py's Fault names them. */
#define RAN_OUT -1
#define LEFT_OVER -2
#define NO_SUCH_CODE -3
#define NO_RESTART -4
#define BEYOND -5

#define FIRST_BITS 12
#define TABLE_BYTES (16 + 256)

/* Codes up to FIRST_BITS long by their bits: 256 times the length and the symbol; 0 where the code is longer. Of
   longer ones, for each length, the first code behind the last of it, and what brings a code to its symbol. */
typedef struct {
    uint16_t first[1 << FIRST_BITS];
    int32_t end[18], place[18];
    uint8_t symbols[256];
} Codes;

/* Bytes between two markers without their stuffing, and the place of the next bit. There is room for all bytes
   of a scan and `slack` more, for what may be read before the end is looked for. */
typedef struct {
    uint8_t *bytes;
    Py_ssize_t count;
    uint64_t bit;
} Bits;

/* Make room. Returns 0, or -1 without memory. */
int open_bits(Bits *bits, Py_ssize_t size, Py_ssize_t slack);

/* How a kernel ends that read a scan: all is let go, and the place behind the scan, or what is wrong with it,
   returned; NULL with an error set if memory was wanting. */
PyObject *end_scan(Arrays *arrays, Codes *codes, Bits *bits, int is_good, Py_ssize_t end);

/* Fill in codes from 16 counts and their symbols. Returns 0, or -1 if there are more than fit. */
int read_codes(const uint8_t *table, Codes *codes);
/* Take the bytes from `at` to the next marker; returns its place, `size` if there is none. */
Py_ssize_t take_interval(const uint8_t *data, Py_ssize_t size, Py_ssize_t at, Bits *bits);
/* How an interval of which all symbols were read ends: 0, or what is wrong with it. */
int interval_end(const Bits *bits);
/* Place behind the restart marker of that number at `at`, or NO_RESTART. */
Py_ssize_t behind_restart(const uint8_t *data, Py_ssize_t size, Py_ssize_t at, Py_ssize_t number);

/* The next bits, the first of them on top; at least 57 are there. */
INLINE uint64_t next_bits(const Bits *bits)
{
    const uint8_t *at = bits->bytes + (bits->bit >> 3);
    uint64_t word;
#if defined(__GNUC__) && defined(__BYTE_ORDER__) && __BYTE_ORDER__ == __ORDER_LITTLE_ENDIAN__
    memcpy(&word, at, 8);
    word = __builtin_bswap64(word);
#else
    word = 0;
    for (int i = 0; i < 8; i++)
        word = word << 8 | at[i];
#endif
    return word << (bits->bit & 7);
}

/* Length and symbol (256 times the one and the other) of the code on top of a word; 0 if there is none. */
INLINE int code_of(uint64_t word, const Codes *codes)
{
    int found = codes->first[word >> (64 - FIRST_BITS)];
    if (found)
        return found;
    for (int length = FIRST_BITS + 1; length <= 16; length++) {
        int32_t code = (int32_t)(word >> (64 - length));
        if (code < codes->end[length])
            return length << 8 | codes->symbols[codes->place[length] + code];
    }
    return 0;
}

INLINE int is_past_end(const Bits *bits) { return bits->bit > (uint64_t)bits->count * 8; }

#endif
