/* See warp.py. */
#include "common.h"

#define STEP 16
#define WIDE 16 /* samples of four pixels, and so many more that they fill two registers */

INLINE int32_t floor_of(float value)
{
    int32_t whole = (int32_t)value;
    return whole - ((float)whole > value);
}

INLINE void weights_of(const float *RESTRICT share, float w[4][STEP])
{
    for (int i = 0; i < STEP; i++) {
        float t = share[i];
        w[0][i] = ((2.0f - t) * t - 1.0f) * t * 0.5f;
        w[1][i] = ((3.0f * t - 5.0f) * t * t + 2.0f) * 0.5f;
        w[2][i] = ((4.0f - 3.0f * t) * t + 1.0f) * t * 0.5f;
        w[3][i] = (t - 1.0f) * t * t * 0.5f;
    }
}

INLINE Py_ssize_t wrapped(Py_ssize_t column, Py_ssize_t width)
{
    column %= width;
    return column < 0 ? column + width : column;
}

INLINE Py_ssize_t held(Py_ssize_t row, Py_ssize_t height) { return row < 0 ? 0 : row >= height ? height - 1 : row; }

/* One output row, from samples of one type. `sample` is where they lie. */
#define TAKE_ROW(NAME, TYPE)                                                                                   \
    FAST static void NAME(const TYPE *sample, Py_ssize_t height, Py_ssize_t width, Py_ssize_t start,           \
                          const float *places, float *out)                                                     \
    {                                                                                                          \
        for (Py_ssize_t first = 0; first < width; first += STEP, places += 2) {                                \
            float x[STEP], y[STEP], down[4][STEP], right[4][STEP];                                             \
            int32_t row[STEP], column[STEP];                                                                   \
            for (int i = 0; i < STEP; i++) {                                                                   \
                float share = (float)i * (1.0f / STEP);                                                        \
                y[i] = places[0] + (places[2] - places[0]) * share;                                            \
                x[i] = places[1] + (places[3] - places[1]) * share;                                            \
                row[i] = floor_of(y[i]);                                                                       \
                column[i] = floor_of(x[i]);                                                                    \
                y[i] -= (float)row[i];                                                                         \
                x[i] -= (float)column[i];                                                                      \
            }                                                                                                  \
            weights_of(y, down);                                                                               \
            weights_of(x, right);                                                                              \
            int count = width - first < STEP ? (int)(width - first) : STEP;                                    \
            for (int i = 0; i < count; i++) {                                                                  \
                Py_ssize_t left = wrapped(column[i] + start - 1, width);                                       \
                const TYPE *from[4];                                                                           \
                TYPE round[4][WIDE] = {{0}};                                                                   \
                for (int k = 0; k < 4; k++)                                                                    \
                    from[k] = sample + 3 * (held(row[i] + k - 1, height) * width + left);                      \
                if (3 * left + WIDE > 3 * width)                                                               \
                    for (int k = 0; k < 4; k++) {                                                              \
                        for (int j = 0; j < 12; j++)                                                           \
                            round[k][j] = from[k][left + j / 3 < width ? j : j - 3 * width];                   \
                        from[k] = round[k];                                                                    \
                    }                                                                                          \
                const TYPE *RESTRICT one = from[0], *RESTRICT two = from[1], *RESTRICT three = from[2],        \
                                    *RESTRICT four = from[3];                                                  \
                float by_one = down[0][i], by_two = down[1][i], by_three = down[2][i], by_four = down[3][i];   \
                float mixed[WIDE], low[WIDE];                                                                  \
                for (int j = 0; j < WIDE; j++)                                                                 \
                    mixed[j] = by_one * (float)one[j] + by_two * (float)two[j] + by_three * (float)three[j]    \
                               + by_four * (float)four[j];                                                     \
                for (int j = 0; j < WIDE; j++) {                                                               \
                    low[j] = least_of(least_of((float)one[j], (float)two[j]),                                  \
                                      least_of((float)three[j], (float)four[j]));                              \
                }                                                                                              \
                float *pixel = out + 3 * (first + i);                                                          \
                for (int j = 0; j < 3; j++) {                                                                  \
                    float sum = right[0][i] * mixed[j] + right[1][i] * mixed[3 + j] + right[2][i] * mixed[6 + j]\
                               + right[3][i] * mixed[9 + j];                                                   \
                    float least = least_of(least_of(low[j], low[3 + j]), least_of(low[6 + j], low[9 + j]));    \
                    pixel[j] = most_of(sum, least);                                                           \
                }                                                                                              \
            }                                                                                                  \
        }                                                                                                      \
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
