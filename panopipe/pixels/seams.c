/* See seams.py. */
#include "common.h"

#define MOST_LAYERS 64

INLINE void add_squares(const float *RESTRICT one, const float *RESTRICT other, Py_ssize_t count,
                        float *RESTRICT sums, int first)
{
    for (Py_ssize_t i = 0; i < count; i++) {
        float gap = other[i] - one[i];
        sums[i] = first ? gap * gap : sums[i] + gap * gap;
    }
}

FAST static void window_gap(const float *planes, const Py_ssize_t *size, const float *window,
                            const Py_ssize_t *part, Py_ssize_t channels, float *out)
{
    for (Py_ssize_t y = 0; y < part[0]; y++)
        for (Py_ssize_t channel = 0; channel < channels; channel++) {
            const float *here = window + (channel * part[0] + y) * part[1];
            const float *there = planes + (channel * size[0] + y) * size[1];
            add_squares(here, there, part[1], out + y * part[1], channel == 0);
        }
}

static const Argument window_arguments[] = {
    {"planes", 'f', 0, 3, {-1, -2, -3}}, {"window", 'f', 0, 3, {-1, -4, -5}}, {"out", 'f', 1, 2, {-4, -5}}};

PyObject *window_gap_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[3];
    Arrays arrays;
    Py_ssize_t top, left;
    (void)self;
    if (!PyArg_ParseTuple(args, "OnnOO", &given[0], &top, &left, &given[1], &given[2])
        || open_arrays(given, window_arguments, 3, &arrays) < 0)
        return NULL;
    const Py_ssize_t *size = arrays.length + 1, *part = arrays.length + 3;
    if (top < 0 || left < 0 || top + part[0] > size[0] || left + part[1] > size[1]) {
        close_arrays(&arrays);
        PyErr_SetString(PyExc_ValueError, "window: not within the picture");
        return NULL;
    }
    const float *planes = (const float *)arrays.view[0].buf + top * size[1] + left;
    Py_BEGIN_ALLOW_THREADS
    window_gap(planes, size, arrays.view[1].buf, part, arrays.length[0], arrays.view[2].buf);
    Py_END_ALLOW_THREADS
    close_arrays(&arrays);
    Py_RETURN_NONE;
}

INLINE void put_strange(const uint8_t *RESTRICT one, const uint8_t *RESTRICT other, Py_ssize_t count,
                        float strange, float *RESTRICT out)
{
    for (Py_ssize_t i = 0; i < count; i++)
        out[i] = one[i] & other[i] ? out[i] : strange;
}

FAST static void pair_gaps(const float *planes, Py_ssize_t channels, const uint8_t *known, float strange,
                           const Py_ssize_t *size, float *out)
{
    Py_ssize_t layers = size[0], height = size[1], width = size[2], area = height * width;
    for (Py_ssize_t y = 0; y < height; y++)
        for (Py_ssize_t one = 0; one < layers; one++)
            for (Py_ssize_t other = one + 1; other < layers; other++, out += width) {
                for (Py_ssize_t channel = 0; channel < channels; channel++)
                    add_squares(planes + (one * channels + channel) * area + y * width,
                                planes + (other * channels + channel) * area + y * width, width, out,
                                channel == 0);
                put_strange(known + one * area + y * width, known + other * area + y * width, width, strange,
                            out);
            }
}

static const Argument pair_arguments[] = {
    {"planes", 'f', 0, 3, {-4, -2, -3}}, {"known", 'B', 0, 3, {-1, -2, -3}}, {"out", 'f', 1, 3, {-2, -5, -3}}};

PyObject *pair_gaps_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[3];
    Arrays arrays;
    Py_ssize_t channels;
    double strange;
    (void)self;
    if (!PyArg_ParseTuple(args, "OnOdO", &given[0], &channels, &given[1], &strange, &given[2])
        || open_arrays(given, pair_arguments, 3, &arrays) < 0)
        return NULL;
    Py_ssize_t layers = arrays.length[0];
    if (channels < 1 || arrays.length[3] != layers * channels
        || arrays.length[4] != layers * (layers - 1) / 2) {
        close_arrays(&arrays);
        PyErr_SetString(PyExc_ValueError, "pair_gaps: not all pairs of layers of so many channels");
        return NULL;
    }
    Py_BEGIN_ALLOW_THREADS
    pair_gaps(arrays.view[0].buf, channels, arrays.view[1].buf, (float)strange, arrays.length,
              arrays.view[2].buf);
    Py_END_ALLOW_THREADS
    close_arrays(&arrays);
    Py_RETURN_NONE;
}

INLINE void tell_pair(const float *RESTRICT here, const float *RESTRICT next, Py_ssize_t count,
                      const float *RESTRICT belief_one, const float *RESTRICT belief_other,
                      float *RESTRICT one, float *RESTRICT other)
{
    for (Py_ssize_t i = 0; i < count; i++) {
        float seam = here[i] + next[i];
        one[i] = least_of(belief_other[i] + seam, one[i]);
        other[i] = least_of(belief_one[i] + seam, other[i]);
    }
}

/* `count` pixels of a line, of `width`, to those of the next. */
INLINE void tell(const float *own, const float *believed, const float *here, const float *next,
                 const uint8_t *linked, Py_ssize_t layers, Py_ssize_t width, Py_ssize_t count, float *message)
{
    float belief[MOST_LAYERS][BLOCK], told[MOST_LAYERS][BLOCK], least[BLOCK];
    for (Py_ssize_t one = 0; one < layers; one++)
        for (Py_ssize_t i = 0; i < count; i++)
            belief[one][i] = told[one][i] = own[one * width + i] + believed[one * width + i];
    for (Py_ssize_t one = 0; one < layers; one++)
        for (Py_ssize_t other = one + 1; other < layers; other++, here += width, next += width)
            tell_pair(here, next, count, belief[one], belief[other], told[one], told[other]);
    memcpy(least, told[0], sizeof least);
    for (Py_ssize_t one = 1; one < layers; one++)
        for (Py_ssize_t i = 0; i < count; i++)
            least[i] = least_of(told[one][i], least[i]);
    for (Py_ssize_t one = 0; one < layers; one++)
        for (Py_ssize_t i = 0; i < count; i++)
            message[one * width + i] = linked[i] ? told[one][i] - least[i] : 0;
}

FAST static void sweep(const float *own, const float *prices, const uint8_t *linked, const Py_ssize_t *size,
                       float *forth, float *back)
{
    Py_ssize_t lines = size[0], layers = size[1], width = size[2];
    Py_ssize_t line_size = layers * width, pairs_size = layers * (layers - 1) / 2 * width;
    for (Py_ssize_t first = 0; first < width; first += BLOCK) {
        Py_ssize_t count = width - first < BLOCK ? width - first : BLOCK;
        for (Py_ssize_t line = 0; line + 1 < lines; line++) {
            const float *here = prices + line * pairs_size + first;
            Py_ssize_t from = line * line_size + first, to = from + line_size;
            tell(own + from, forth + from, here, here + pairs_size, linked + line * width + first, layers,
                 width, count, forth + to);
        }
        for (Py_ssize_t line = lines - 2; line >= 0; line--) {
            const float *here = prices + line * pairs_size + first;
            Py_ssize_t to = line * line_size + first, from = to + line_size;
            tell(own + from, back + from, here, here + pairs_size, linked + line * width + first, layers, width,
                 count, back + to);
        }
    }
}

static const Argument sweep_arguments[] = {{"own", 'f', 0, 3, {-1, -2, -3}},
                                           {"prices", 'f', 0, 3, {-1, -4, -3}},
                                           {"linked", 'B', 0, 2, {-5, -3}},
                                           {"forth", 'f', 1, 3, {-1, -2, -3}},
                                           {"back", 'f', 1, 3, {-1, -2, -3}}};

PyObject *sweep_kernel(PyObject *self, PyObject *args)
{
    Arrays arrays;
    (void)self;
    if (open_only_arrays(args, sweep_arguments, 5, &arrays) < 0)
        return NULL;
    Py_ssize_t lines = arrays.length[0], layers = arrays.length[1];
    if (layers < 1 || layers > MOST_LAYERS || arrays.length[3] != layers * (layers - 1) / 2
        || arrays.length[4] != lines - 1) {
        close_arrays(&arrays);
        PyErr_SetString(PyExc_ValueError, "sweep: not prices of all pairs of up to 64 labels");
        return NULL;
    }
    Py_BEGIN_ALLOW_THREADS
    sweep(arrays.view[0].buf, arrays.view[1].buf, arrays.view[2].buf, arrays.length, arrays.view[3].buf,
          arrays.view[4].buf);
    Py_END_ALLOW_THREADS
    close_arrays(&arrays);
    Py_RETURN_NONE;
}
