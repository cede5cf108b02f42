/* See warp.py. */
#include "common.h"

#define STEP 16
#define SPAN (STEP + 3) /* columns mixed down for a step of pixels, as each is made of four */
#define LANES 24        /* the same, and some more that fill registers */
#define MOST_TRIED 8    /* mixtures of a step, before its pixels are better taken one by one */

typedef struct {
    const void *samples;
    char type;
    Py_ssize_t top, height, width;
} Rows;

/* One step of an output row: whole rows and columns that its places lie in, and weights of the four there. */
typedef struct {
    int32_t row[LANES], column[STEP];
    float down[4][LANES], right[4][STEP];
} Step;

/* What lies at four rows, and its mixture. */
typedef struct {
    float taken[4][3 * LANES], down[4][3 * LANES], right[4][3 * STEP], mixed[3 * LANES], low[3 * LANES];
    float done[3 * STEP];
    int32_t row[3 * LANES], column[3 * STEP];
} Work;

INLINE int32_t floor_of(float value)
{
    int32_t whole = (int32_t)value;
    return whole - ((float)whole > value);
}

INLINE void weights_of(const float *RESTRICT share, int count, int apart, float *RESTRICT w)
{
    for (int i = 0; i < count; i++) {
        float t = share[i];
        w[i] = ((2.0f - t) * t - 1.0f) * t * 0.5f;
        w[apart + i] = ((3.0f * t - 5.0f) * t * t + 2.0f) * 0.5f;
        w[2 * apart + i] = ((4.0f - 3.0f * t) * t + 1.0f) * t * 0.5f;
        w[3 * apart + i] = (t - 1.0f) * t * t * 0.5f;
    }
}

INLINE void find_step(const float *places, Step *step)
{
    float y[LANES], x[STEP];
    for (int i = 0; i < LANES; i++) {
        y[i] = places[0] + (places[2] - places[0]) * ((float)(i - 1) * (1.0f / STEP));
        step->row[i] = floor_of(y[i]);
        y[i] -= (float)step->row[i];
    }
    for (int i = 0; i < STEP; i++) {
        x[i] = places[1] + (places[3] - places[1]) * ((float)i * (1.0f / STEP));
        step->column[i] = floor_of(x[i]);
        x[i] -= (float)step->column[i];
        step->column[i] -= i;
    }
    weights_of(y, LANES, LANES, step->down[0]);
    weights_of(x, STEP, STEP, step->right[0]);
}

INLINE void find_range(const int32_t *values, int count, int32_t *low, int32_t *high)
{
    *low = *high = values[0];
    for (int i = 1; i < count; i++) {
        *low = values[i] < *low ? values[i] : *low;
        *high = values[i] > *high ? values[i] : *high;
    }
}

INLINE void thrice(const float *RESTRICT one, int count, float *RESTRICT three)
{
    for (int i = 0; i < count; i++)
        three[3 * i] = three[3 * i + 1] = three[3 * i + 2] = one[i];
}

INLINE Py_ssize_t wrapped(Py_ssize_t column, Py_ssize_t width)
{
    column %= width;
    return column < 0 ? column + width : column;
}

INLINE Py_ssize_t held(Py_ssize_t row, Py_ssize_t height) { return row < 0 ? 0 : row >= height ? height - 1 : row; }

#define TAKE(NAME, TYPE)                                                                       \
    INLINE void NAME(const TYPE *row, Py_ssize_t left, Py_ssize_t width, float *RESTRICT taken) \
    {                                                                                          \
        if (left + LANES <= width)                                                             \
            for (int j = 0; j < 3 * LANES; j++)                                                \
                taken[j] = (float)row[3 * left + j];                                           \
        else                                                                                   \
            for (int j = 0; j < 3 * LANES; j++)                                                \
                taken[j] = (float)row[3 * wrapped(left + j / 3, width) + j % 3];               \
    }
TAKE(take_floats, float)
TAKE(take_words, uint16_t)
TAKE(take_bytes, uint8_t)

/* Four rows around `row`, from a column on. */
INLINE void take_rows(const Rows *rows, Py_ssize_t row, Py_ssize_t left, float taken[4][3 * LANES])
{
    for (int k = 0; k < 4; k++) {
        Py_ssize_t from = 3 * rows->width * held(row - rows->top + k - 1, rows->height);
        if (rows->type == 'f')
            take_floats((const float *)rows->samples + from, left, rows->width, taken[k]);
        else if (rows->type == 'H')
            take_words((const uint16_t *)rows->samples + from, left, rows->width, taken[k]);
        else
            take_bytes((const uint8_t *)rows->samples + from, left, rows->width, taken[k]);
    }
}

/* Mix rows down in the lanes that lie in `row`. */
INLINE void mix_down(Work *work, int32_t row, int all)
{
    const float *RESTRICT one = work->taken[0], *RESTRICT two = work->taken[1], *RESTRICT three = work->taken[2],
                *RESTRICT four = work->taken[3];
    for (int j = 0; j < 3 * LANES; j++) {
        float mixed = work->down[0][j] * one[j] + work->down[1][j] * two[j] + work->down[2][j] * three[j]
                      + work->down[3][j] * four[j];
        float low = least_of(least_of(one[j], two[j]), least_of(three[j], four[j]));
        int here = all | (work->row[j] == row);
        work->mixed[j] = here ? mixed : work->mixed[j];
        work->low[j] = here ? low : work->low[j];
    }
}

/* Mix what was mixed down, in the pixels that lie in `column`. */
INLINE void mix_across(Work *work, int32_t column, int all)
{
    const float *RESTRICT mixed = work->mixed, *RESTRICT low = work->low;
    for (int j = 0; j < 3 * STEP; j++) {
        float sum = work->right[0][j] * mixed[j] + work->right[1][j] * mixed[j + 3]
                    + work->right[2][j] * mixed[j + 6] + work->right[3][j] * mixed[j + 9];
        float least = least_of(least_of(low[j], low[j + 3]), least_of(low[j + 6], low[j + 9]));
        float done = most_of(sum, least);
        work->done[j] = all | (work->column[j] == column) ? done : work->done[j];
    }
}

/* A step all of whose places lie in a few rows and at a few distances from their own columns. */
INLINE void take_together(const Rows *rows, const Step *step, Py_ssize_t start, const int32_t *row,
                          const int32_t *column, Work *work)
{
    for (int k = 0; k < 4; k++) {
        thrice(step->down[k], LANES, work->down[k]);
        thrice(step->right[k], STEP, work->right[k]);
    }
    if (row[0] == row[1] && column[0] == column[1]) {
        take_rows(rows, row[0], wrapped(start + column[0] - 1, rows->width), work->taken);
        mix_down(work, 0, 1);
        mix_across(work, 0, 1);
        return;
    }
    for (int j = 0; j < 3 * LANES; j++)
        work->row[j] = step->row[j / 3];
    for (int j = 0; j < 3 * STEP; j++)
        work->column[j] = step->column[j / 3];
    for (int32_t across = column[0]; across <= column[1]; across++) {
        for (int32_t down = row[0]; down <= row[1]; down++) {
            take_rows(rows, down, wrapped(start + across - 1, rows->width), work->taken);
            mix_down(work, down, 0);
        }
        mix_across(work, across, 0);
    }
}

INLINE void take_rgb(const Rows *rows, Py_ssize_t row, Py_ssize_t column, float rgb[3])
{
    Py_ssize_t at = 3 * (held(row - rows->top, rows->height) * rows->width + wrapped(column, rows->width));
    for (int p = 0; p < 3; p++)
        rgb[p] = rows->type == 'f'   ? ((const float *)rows->samples)[at + p]
                 : rows->type == 'H' ? (float)((const uint16_t *)rows->samples)[at + p]
                                     : (float)((const uint8_t *)rows->samples)[at + p];
}

/* A step near a pole, where places beside each other lie far apart. */
INLINE void take_one_by_one(const Rows *rows, const Step *step, Py_ssize_t start, Work *work)
{
    for (int i = 0; i < STEP; i++) {
        float sum[3] = {0}, least[3] = {0};
        for (int a = 0; a < 4; a++) {
            float mixed[3] = {0}, low[3] = {0}, taken[3];
            for (int k = 0; k < 4; k++) {
                take_rgb(rows, (Py_ssize_t)step->row[i + a] + k - 1, start + step->column[i] + i + a - 1, taken);
                for (int p = 0; p < 3; p++) {
                    float by = step->down[k][i + a] * taken[p];
                    mixed[p] = k ? mixed[p] + by : by;
                    low[p] = k ? least_of(low[p], taken[p]) : taken[p];
                }
            }
            for (int p = 0; p < 3; p++) {
                float by = step->right[a][i] * mixed[p];
                sum[p] = a ? sum[p] + by : by;
                least[p] = a ? least_of(least[p], low[p]) : low[p];
            }
        }
        for (int p = 0; p < 3; p++)
            work->done[3 * i + p] = most_of(sum[p], least[p]);
    }
}

FAST static void take_row(const Rows *rows, Py_ssize_t start, const float *places, float *out)
{
    Work work;
    Step step;
    int32_t row[2], column[2];
    memset(&work, 0, sizeof work);
    for (Py_ssize_t first = 0; first < rows->width; first += STEP, places += 2) {
        find_step(places, &step);
        find_range(step.row, SPAN, &row[0], &row[1]);
        find_range(step.column, STEP, &column[0], &column[1]);
        int64_t tried = (1 + (int64_t)row[1] - row[0]) * (1 + (int64_t)column[1] - column[0]);
        if (tried <= MOST_TRIED)
            take_together(rows, &step, start, row, column, &work);
        else
            take_one_by_one(rows, &step, start, &work);
        Py_ssize_t count = rows->width - first < STEP ? rows->width - first : STEP;
        memcpy(out + 3 * first, work.done, (size_t)(3 * count) * sizeof(float));
    }
}

static const Argument arguments[] = {
    {"rows", ANY_SAMPLES, 0, 3, {-1, -2, 3}}, {"places", 'f', 0, 3, {-3, -4, 2}}, {"out", 'f', 1, 3, {-3, -2, 3}}};

PyObject *warp_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[3];
    Arrays arrays;
    Py_ssize_t top, start;
    (void)self;
    if (!PyArg_ParseTuple(args, "OnOnO", &given[0], &top, &given[1], &start, &given[2])
        || open_arrays(given, arguments, 3, &arrays) < 0)
        return NULL;
    Py_ssize_t height = arrays.length[0], width = arrays.length[1], count = arrays.length[2], nodes = arrays.length[3];
    if (start < 0 || start >= width || height < 1 || nodes != (width + STEP - 1) / STEP + 1) {
        PyErr_SetString(PyExc_ValueError, "start must be a column of the rows, and places told at its nodes");
        close_arrays(&arrays);
        return NULL;
    }
    Rows rows = {arrays.view[0].buf, arrays.view[0].format[0], top, height, width};
    const float *places = arrays.view[1].buf;
    float *out = arrays.view[2].buf;
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t row = 0; row < count; row++, places += 2 * nodes, out += 3 * width)
        take_row(&rows, start, places, out);
    Py_END_ALLOW_THREADS
    close_arrays(&arrays);
    Py_RETURN_NONE;
}
