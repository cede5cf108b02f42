/* See lossless.py. */
#include "entropy.h"

/* How one scan stores its samples. */
typedef struct {
    Py_ssize_t rows, columns, planes; /* of the picture */
    int count;                        /* planes in this scan */
    int plane[4];
    const Codes *codes[4];
    int precision, predictor, shift;
} Scan;

/* Difference of a sample from its prediction (T.81, table H.2); NO_SUCH_CODE if there is no such code. */
#define NO_DIFFERENCE INT32_MIN

INLINE int32_t difference(Bits *bits, const Codes *codes)
{
    uint64_t word = next_bits(bits);
    int found = code_of(word, codes), length = found >> 8, more = found & 255;
    if (!found || more > 16)
        return NO_DIFFERENCE;
    bits->bit += (uint64_t)(length + (more & 15));
    if (more == 16)
        return 32768;
    int32_t value = (int32_t)((word << length >> 1) >> (63 - more));
    return value < (1 << more) >> 1 ? value - (1 << more) + 1 : value;
}

INLINE int32_t predicted(int predictor, int32_t left, int32_t above, int32_t corner)
{
    switch (predictor) { /* T.81, table H.1 */
    case 1: return left;
    case 2: return above;
    case 3: return corner;
    case 4: return left + above - corner;
    case 5: return left + ((above - corner) >> 1);
    case 6: return above + ((left - corner) >> 1);
    default: return (left + above) >> 1;
    }
}

/* One row behind its first column. `above` is read only by predictors that need it. */
INLINE int rest_of_row(Bits *bits, const Scan *scan, int predictor, int count, uint16_t *row, const uint16_t *above)
{
    int32_t left[4] = {0};
    uint32_t beyond = 0;
    for (int i = 0; i < count; i++)
        beyond |= left[i] = row[scan->plane[i]];
    for (Py_ssize_t column = 1; column < scan->columns; column++)
        for (int i = 0; i < count; i++) {
            Py_ssize_t at = column * scan->planes + scan->plane[i];
            int32_t from = predictor == 1 ? left[i]
                                          : predicted(predictor, left[i], above[at], above[at - scan->planes]);
            int32_t step = difference(bits, scan->codes[i]);
            if (step == NO_DIFFERENCE)
                return NO_SUCH_CODE;
            left[i] = row[at] = (uint16_t)(from + step);
            beyond |= (uint32_t)left[i];
        }
    return beyond >> (scan->precision - scan->shift) ? BEYOND : 0;
}

/* A row: `above` is NULL for the first of an interval. */
FAST static int read_row(Bits *bits, const Scan *scan, uint16_t *row, const uint16_t *above)
{
    for (int i = 0; i < scan->count; i++) {
        int32_t from = above ? above[scan->plane[i]] : 1 << (scan->precision - scan->shift - 1);
        int32_t step = difference(bits, scan->codes[i]);
        if (step == NO_DIFFERENCE)
            return NO_SUCH_CODE;
        row[scan->plane[i]] = (uint16_t)(from + step);
    }
    int predictor = above ? scan->predictor : 1;
    if (predictor == 1)
        return scan->count == 3 ? rest_of_row(bits, scan, 1, 3, row, above)
                                : rest_of_row(bits, scan, 1, scan->count, row, above);
    return rest_of_row(bits, scan, predictor, scan->count, row, above);
}

static Py_ssize_t read_scan(const uint8_t *data, Py_ssize_t size, Py_ssize_t at, const Scan *scan,
                            Py_ssize_t restart_rows, uint16_t *out, Bits *bits)
{
    Py_ssize_t stride = scan->columns * scan->planes, number = 0;
    for (Py_ssize_t first = 0; first < scan->rows; first += restart_rows) {
        if (first && (at = behind_restart(data, size, at, number++)) < 0)
            return NO_RESTART;
        at = take_interval(data, size, at, bits);
        Py_ssize_t last = first + restart_rows < scan->rows ? first + restart_rows : scan->rows;
        for (Py_ssize_t row = first; row < last; row++) {
            uint16_t *here = out + row * stride;
            int wrong = read_row(bits, scan, here, row > first ? here - stride : NULL);
            if (is_past_end(bits))
                return RAN_OUT;
            if (wrong)
                return wrong;
        }
        int wrong = interval_end(bits);
        if (wrong)
            return wrong;
    }
    return at;
}

static void shift_up(uint16_t *out, Py_ssize_t count, int shift)
{
    for (Py_ssize_t i = 0; i < count; i++)
        out[i] = (uint16_t)(out[i] << shift);
}

static const Argument arguments[] = {
    {"data", 'B', 0, 1, {-1}}, {"tables", 'B', 0, 2, {-2, TABLE_BYTES}}, {"planes", 'i', 0, 1, {-3}},
    {"table_of", 'i', 0, 1, {-3}}, {"form", 'i', 0, 1, {4}}, {"out", 'H', 1, 3, {-4, -5, -6}}};

PyObject *lossless_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[6];
    Arrays arrays;
    Py_ssize_t start, end = NO_SUCH_CODE;
    (void)self;
    if (!PyArg_ParseTuple(args, "OnOOOOO", &given[0], &start, &given[1], &given[2], &given[3], &given[4], &given[5])
        || open_arrays(given, arguments, 6, &arrays) < 0)
        return NULL;
    const Py_ssize_t *length = arrays.length;
    const int32_t *planes = arrays.view[2].buf, *table_of = arrays.view[3].buf, *form = arrays.view[4].buf;
    Scan scan = {length[3], length[4], length[5], (int)length[2], {0}, {0}, form[0], form[1], form[2]};
    Codes *codes = PyMem_Malloc(4 * sizeof *codes);
    Bits bits = {NULL, 0, 0};
    int is_good = codes && length[2] >= 1 && length[2] <= 4 && start >= 0 && start <= length[0] && form[3] >= 1
                  && form[2] >= 0 && form[0] >= 2 && form[0] <= 16 && form[2] < form[0] && form[1] >= 1
                  && form[1] <= 7 && scan.columns >= 1 && scan.rows >= 1;
    for (int i = 0; is_good && i < scan.count; i++) {
        is_good = planes[i] >= 0 && planes[i] < scan.planes && table_of[i] >= 0 && table_of[i] < length[1]
                  && read_codes((const uint8_t *)arrays.view[1].buf + table_of[i] * TABLE_BYTES, codes + i) == 0;
        scan.plane[i] = planes[i];
        scan.codes[i] = codes + i;
    }
    /* The end of the bytes is looked for behind each row, whose samples take up to 32 bits. */
    if (is_good && open_bits(&bits, length[0] - start, scan.columns * scan.count * 4) == 0) {
        Py_BEGIN_ALLOW_THREADS
        end = read_scan(arrays.view[0].buf, length[0], start, &scan, form[3], arrays.view[5].buf, &bits);
        if (end >= 0 && scan.shift && scan.plane[scan.count - 1] == scan.planes - 1)
            shift_up(arrays.view[5].buf, scan.rows * scan.columns * scan.planes, scan.shift);
        Py_END_ALLOW_THREADS
    }
    return end_scan(&arrays, codes, &bits, is_good, end);
}
