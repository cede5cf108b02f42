/* See matrix.py. */
#include "common.h"

/* Samples of one of the types that files hold. */
typedef struct {
    const void *samples;
    char type;
} Source;

INLINE void take_samples(Source from, Py_ssize_t first, int count, Planes *RESTRICT planes)
{
    if (from.type == 'f')
        take_apart((const float *)from.samples + 3 * first, count, planes);
    else if (from.type == 'H') {
        const uint16_t *RESTRICT samples = (const uint16_t *)from.samples + 3 * first;
        for (int i = 0; i < count; i++) {
            planes->red[i] = samples[3 * i];
            planes->green[i] = samples[3 * i + 1];
            planes->blue[i] = samples[3 * i + 2];
        }
    } else {
        const uint8_t *RESTRICT samples = (const uint8_t *)from.samples + 3 * first;
        for (int i = 0; i < count; i++) {
            planes->red[i] = samples[3 * i];
            planes->green[i] = samples[3 * i + 1];
            planes->blue[i] = samples[3 * i + 2];
        }
    }
}

WIDE static void transform(Source from, Py_ssize_t first, Py_ssize_t count, const float *affine, float *out)
{
    float m[12];
    Planes in = {{0}, {0}, {0}}, mixed;
    memcpy(m, affine, sizeof m);
    for (Py_ssize_t done = 0; done < count; done += BLOCK) {
        int pixels = count - done < BLOCK ? (int)(count - done) : BLOCK;
        take_samples(from, first + done, pixels, &in);
        for (int i = 0; i < BLOCK; i++) {
            float red = in.red[i], green = in.green[i], blue = in.blue[i];
            mixed.red[i] = m[0] * red + m[1] * green + m[2] * blue + m[3];
            mixed.green[i] = m[4] * red + m[5] * green + m[6] * blue + m[7];
            mixed.blue[i] = m[8] * red + m[9] * green + m[10] * blue + m[11];
        }
        put_together(&mixed, pixels, out + 3 * done);
    }
}

static const Argument arguments[] = {
    {"rows", ANY_SAMPLES, 0, 3, {-1, -2, 3}}, {"affine", 'f', 0, 2, {3, 4}}, {"out", 'f', 1, 3, {-1, -2, 3}}};

PyObject *transform_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[3];
    Arrays arrays;
    Py_ssize_t start;
    (void)self;
    if (!PyArg_ParseTuple(args, "OOOn", &given[0], &given[1], &given[2], &start)
        || open_arrays(given, arguments, 3, &arrays) < 0)
        return NULL;
    Py_ssize_t count = arrays.length[0], width = arrays.length[1], rest = width - start;
    if (start < 0 || rest < 0) {
        PyErr_SetString(PyExc_ValueError, "start: must be a column of the rows");
        close_arrays(&arrays);
        return NULL;
    }
    Source from = {arrays.view[0].buf, arrays.view[0].format[0]};
    const float *affine = arrays.view[1].buf;
    float *out = arrays.view[2].buf;
    Py_BEGIN_ALLOW_THREADS
    if (!start)
        transform(from, 0, count * width, affine, out);
    else
        for (Py_ssize_t row = 0; row < count * width; row += width) {
            transform(from, row + start, rest, affine, out + 3 * row);
            transform(from, row, start, affine, out + 3 * (row + rest));
        }
    Py_END_ALLOW_THREADS
    close_arrays(&arrays);
    Py_RETURN_NONE;
}
