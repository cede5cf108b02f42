/* See warp.py. */
#include "common.h"
#include <math.h>

#define STEP 16

INLINE void weights_of(float t, float *w)
{
    w[0] = ((2.0f - t) * t - 1.0f) * t * 0.5f;
    w[1] = ((3.0f * t - 5.0f) * t * t + 2.0f) * 0.5f;
    w[2] = ((4.0f - 3.0f * t) * t + 1.0f) * t * 0.5f;
    w[3] = (t - 1.0f) * t * t * 0.5f;
}

INLINE Py_ssize_t wrapped(Py_ssize_t column, Py_ssize_t width)
{
    column %= width;
    return column < 0 ? column + width : column;
}

INLINE Py_ssize_t held(Py_ssize_t row, Py_ssize_t height) { return row < 0 ? 0 : row >= height ? height - 1 : row; }

/* One output row, from samples of one type. `sample` is where they lie. */
#define TAKE_ROW(NAME, TYPE)                                                                                       \
    FAST static void NAME(const TYPE *sample, Py_ssize_t height, Py_ssize_t width, Py_ssize_t start,               \
                          const float *places, float *out)                                                         \
    {                                                                                                              \
        for (Py_ssize_t c = 0; c < width; c++) {                                                                   \
            const float *node = places + 2 * (c / STEP);                                                           \
            float share = (float)(c % STEP) * (1.0f / STEP);                                                       \
            float y = node[0] + (node[2] - node[0]) * share, x = node[1] + (node[3] - node[1]) * share;            \
            float whole_y = floorf(y), whole_x = floorf(x), down[4], right[4], mixed[12];                          \
            weights_of(y - whole_y, down);                                                                         \
            weights_of(x - whole_x, right);                                                                        \
            Py_ssize_t row = (Py_ssize_t)whole_y, left = wrapped((Py_ssize_t)whole_x + start - 1, width);          \
            const TYPE *from[4];                                                                                   \
            TYPE round[4][12];                                                                                     \
            for (int k = 0; k < 4; k++)                                                                            \
                from[k] = sample + 3 * (held(row + k - 1, height) * width + left);                                 \
            if (left + 4 > width)                                                                                  \
                for (int k = 0; k < 4; k++) {                                                                      \
                    for (int i = 0; i < 12; i++)                                                                   \
                        round[k][i] = from[k][left + i / 3 < width ? i : i - 3 * width];                           \
                    from[k] = round[k];                                                                            \
                }                                                                                                  \
            const TYPE *RESTRICT one = from[0], *RESTRICT two = from[1], *RESTRICT three = from[2],                \
                                *RESTRICT four = from[3];                                                          \
            for (int i = 0; i < 12; i++)                                                                           \
                mixed[i] = down[0] * (float)one[i] + down[1] * (float)two[i] + down[2] * (float)three[i]           \
                           + down[3] * (float)four[i];                                                             \
            for (int i = 0; i < 3; i++)                                                                            \
                out[3 * c + i] = right[0] * mixed[i] + right[1] * mixed[3 + i] + right[2] * mixed[6 + i]           \
                                 + right[3] * mixed[9 + i];                                                        \
        }                                                                                                          \
    }

TAKE_ROW(take_floats, float)
TAKE_ROW(take_words, uint16_t)
TAKE_ROW(take_bytes, uint8_t)

static const Argument arguments[] = {
    {"rows", ANY_SAMPLES, 0, 3, {-1, -2, 3}}, {"places", 'f', 0, 3, {-3, -4, 2}}, {"out", 'f', 1, 3, {-3, -2, 3}}};

PyObject *warp_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[3];
    Arrays arrays;
    Py_ssize_t start;
    (void)self;
    if (!PyArg_ParseTuple(args, "OOnO", &given[0], &given[1], &start, &given[2])
        || open_arrays(given, arguments, 3, &arrays) < 0)
        return NULL;
    Py_ssize_t height = arrays.length[0], width = arrays.length[1], rows = arrays.length[2], nodes = arrays.length[3];
    if (start < 0 || start >= width || height < 1 || nodes != (width + STEP - 1) / STEP + 1) {
        PyErr_SetString(PyExc_ValueError, "start must be a column of the rows, and places told at its nodes");
        close_arrays(&arrays);
        return NULL;
    }
    const void *samples = arrays.view[0].buf;
    char type = arrays.view[0].format[0];
    const float *places = arrays.view[1].buf;
    float *out = arrays.view[2].buf;
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t row = 0; row < rows; row++, places += 2 * nodes, out += 3 * width)
        if (type == 'f')
            take_floats(samples, height, width, start, places, out);
        else if (type == 'H')
            take_words(samples, height, width, start, places, out);
        else
            take_bytes(samples, height, width, start, places, out);
    Py_END_ALLOW_THREADS
    close_arrays(&arrays);
    Py_RETURN_NONE;
}
