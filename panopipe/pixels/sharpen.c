/* See sharpen.py. Row by row behind one another: of each plane as many rows are held as later ones need. */
#include "common.h"
#include <stdlib.h>

typedef struct {
    Py_ssize_t rows, width, pad, stride;
    const float *light, *weights, *distance, *control;
    float *luminance, *along, *detail, *smooth, *energy, *high, *low, *square, *out;
} Work;

#define PLANES 7
/* Rows of a plane that are held: a power of two, above the five that smoothing takes. */
#define HELD 8

INLINE float *row_of(float *plane, const Work *work, Py_ssize_t row)
{
    return plane + (row & (HELD - 1)) * work->stride + work->pad;
}

static void go_round(float *row, const Work *work)
{
    memcpy(row - work->pad, row + work->width - work->pad, (size_t)work->pad * sizeof(float));
    memcpy(row + work->width, row, (size_t)work->pad * sizeof(float));
}

INLINE void take_luminance(const float *RESTRICT light, const float *weights, Py_ssize_t width, float *RESTRICT out)
{
    float by_red = weights[0], by_green = weights[1], by_blue = weights[2];
    for (Py_ssize_t i = 0; i < width; i++)
        out[i] = light[3 * i] * by_red + light[3 * i + 1] * by_green + light[3 * i + 2] * by_blue;
}

INLINE float between(const float *row, Py_ssize_t i, Py_ssize_t step, float share)
{
    float left = row[i - step], right = row[i + step];
    return (left + (row[i - step - 1] - left) * share) + (right + (row[i + step + 1] - right) * share);
}

INLINE void smooth_along(const float *RESTRICT row, float distance, Py_ssize_t width, float *RESTRICT out)
{
    float twice = 2.0f * distance;
    Py_ssize_t near = (Py_ssize_t)distance, far = (Py_ssize_t)twice;
    float near_share = distance - (float)near, far_share = twice - (float)far;
    for (Py_ssize_t i = 0; i < width; i++)
        out[i] = between(row, i, far, far_share) * 0.0625f + between(row, i, near, near_share) * 0.25f
                 + row[i] * 0.375f;
}

INLINE Py_ssize_t step_of(float distance) { return (Py_ssize_t)(distance + 0.5f); }

INLINE void find_range(const float *RESTRICT row, Py_ssize_t step, Py_ssize_t width, float *RESTRICT high,
                       float *RESTRICT low)
{
    for (Py_ssize_t i = 0; i < width; i++) {
        high[i] = most_of(row[i], most_of(row[i - step], row[i + step]));
        low[i] = least_of(row[i], least_of(row[i - step], row[i + step]));
    }
}

INLINE void find_detail(const float *RESTRICT luminance, const float *RESTRICT one, const float *RESTRICT two,
                        const float *RESTRICT three, const float *RESTRICT four, const float *RESTRICT five,
                        Py_ssize_t width, float *RESTRICT smooth, float *RESTRICT detail, float *RESTRICT square)
{
    for (Py_ssize_t i = 0; i < width; i++) {
        smooth[i] = (one[i] + five[i]) * 0.0625f + (two[i] + four[i]) * 0.25f + three[i] * 0.375f;
        detail[i] = luminance[i] - smooth[i];
        square[i] = detail[i] * detail[i];
    }
}

INLINE void add_neighbours(const float *RESTRICT square, Py_ssize_t step, Py_ssize_t width, float *RESTRICT energy)
{
    for (Py_ssize_t i = 0; i < width; i++)
        energy[i] = square[i] + (square[i - step] + square[i + step]);
}

INLINE float size_of(float value) { return value < 0.0f ? -value : value; }

INLINE void raise_edges(const Work *work, Py_ssize_t row, const float *RESTRICT light, float *RESTRICT out)
{
    const float *luminance = row_of(work->luminance, work, row), *smooth = row_of(work->smooth, work, row);
    const float *detail = row_of(work->detail, work, row), *energy = row_of(work->energy, work, row);
    const float *high = row_of(work->high, work, row), *low = row_of(work->low, work, row);
    const float *energy_over = row_of(work->energy, work, row - 1), *energy_under = row_of(work->energy, work, row + 1);
    const float *high_over = row_of(work->high, work, row - 1), *high_under = row_of(work->high, work, row + 1);
    const float *low_over = row_of(work->low, work, row - 1), *low_under = row_of(work->low, work, row + 1);
    float strength = work->control[0], beyond = work->control[2];
    float grain = work->control[1] * work->control[1] * 9.0f;
    for (Py_ssize_t i = 0; i < work->width; i++) {
        float here = luminance[i], around = energy[i] + (energy_over[i] + energy_under[i]);
        float highest = most_of(high[i], most_of(high_over[i], high_under[i]));
        float lowest = least_of(low[i], least_of(low_over[i], low_under[i]));
        float share = around / (around + grain * (smooth[i] * smooth[i]) + 1e-12f);
        float raised = here + strength * share * detail[i];
        raised = least_of(most_of(raised, lowest - size_of(lowest) * beyond), highest + size_of(highest) * beyond);
        float brightest = most_of(most_of(light[3 * i], light[3 * i + 1]), light[3 * i + 2]);
        float fade = least_of(most_of((1.0f - brightest) * 8.0f, 0.0f), 1.0f);
        float gain = (here + (raised - here) * fade) / (here > 1e-12f ? here : 1.0f);
        gain = here > 1e-12f ? gain : 1.0f;
        out[3 * i] = light[3 * i] * gain;
        out[3 * i + 1] = light[3 * i + 1] * gain;
        out[3 * i + 2] = light[3 * i + 2] * gain;
    }
}

FAST static void begin_row(Work *work, Py_ssize_t row)
{
    float *luminance = row_of(work->luminance, work, row);
    take_luminance(work->light + 3 * row * work->width, work->weights, work->width, luminance);
    go_round(luminance, work);
    smooth_along(luminance, work->distance[row], work->width, row_of(work->along, work, row));
    find_range(luminance, step_of(work->distance[row]), work->width, row_of(work->high, work, row),
               row_of(work->low, work, row));
}

FAST static void detail_row(Work *work, Py_ssize_t row)
{
    float *along = work->along, *square = work->square + work->pad;
    find_detail(row_of(work->luminance, work, row), row_of(along, work, row - 2), row_of(along, work, row - 1),
                row_of(along, work, row), row_of(along, work, row + 1), row_of(along, work, row + 2), work->width,
                row_of(work->smooth, work, row), row_of(work->detail, work, row), square);
    go_round(square, work);
    add_neighbours(square, step_of(work->distance[row]), work->width, row_of(work->energy, work, row));
}

WIDE static void finish_row(const Work *work, Py_ssize_t row)
{
    raise_edges(work, row, work->light + 3 * row * work->width, work->out + 3 * (row - 3) * work->width);
}

static void work_on(Work *work)
{
    for (Py_ssize_t row = 0; row < work->rows; row++) {
        begin_row(work, row);
        if (row >= 4)
            detail_row(work, row - 2);
        if (row >= 6)
            finish_row(work, row - 3);
    }
}

/* Columns beyond either end that the widest filter of these rows looks at. */
static Py_ssize_t reach_of(const Work *work)
{
    float most = 1.0f;
    for (Py_ssize_t row = 0; row < work->rows; row++)
        most = most_of(most, work->distance[row]);
    Py_ssize_t reach = (Py_ssize_t)(2.0f * most) + 1;
    return reach < work->width ? reach : work->width;
}

static const Argument arguments[] = {{"light", 'f', 0, 3, {-1, -2, 3}},
                                     {"weights", 'f', 0, 1, {3}},
                                     {"distance", 'f', 0, 1, {-1}},
                                     {"control", 'f', 0, 1, {3}},
                                     {"out", 'f', 1, 3, {-3, -2, 3}}};

static const char *fault_of(const Work *work, Py_ssize_t results)
{
    if (work->rows != results + 6)
        return "out: not the rows of the light less three at each end";
    for (Py_ssize_t row = 0; row < work->rows; row++)
        if (!(work->distance[row] >= 1.0f && work->distance[row] * 8.0f <= (float)work->width))
            return "distance: not from 1 to an eighth of the width";
    return NULL;
}

PyObject *sharpen_kernel(PyObject *self, PyObject *args)
{
    Arrays arrays;
    (void)self;
    if (open_only_arrays(args, arguments, 5, &arrays) < 0)
        return NULL;
    Work work = {.rows = arrays.length[0], .width = arrays.length[1], .light = arrays.view[0].buf,
                 .weights = arrays.view[1].buf, .distance = arrays.view[2].buf, .control = arrays.view[3].buf,
                 .out = arrays.view[4].buf};
    const char *fault = fault_of(&work, arrays.length[2]);
    if (fault) {
        close_arrays(&arrays);
        PyErr_SetString(PyExc_ValueError, fault);
        return NULL;
    }
    work.pad = reach_of(&work);
    work.stride = work.width + 2 * work.pad;
    Py_ssize_t plane = HELD * work.stride;
    float *memory = malloc((size_t)(PLANES * plane + work.stride) * sizeof(float));
    if (memory) {
        float **planes[PLANES] = {&work.luminance, &work.along, &work.detail, &work.smooth, &work.energy, &work.high,
                                  &work.low};
        for (int i = 0; i < PLANES; i++)
            *planes[i] = memory + i * plane;
        work.square = memory + PLANES * plane;
        Py_BEGIN_ALLOW_THREADS
        work_on(&work);
        Py_END_ALLOW_THREADS
    }
    free(memory);
    close_arrays(&arrays);
    if (!memory)
        return PyErr_NoMemory();
    Py_RETURN_NONE;
}
