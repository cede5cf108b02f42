/* See matrix.py. */
#include "common.h"

FAST static void transform(const float *rows, const float *affine, float *out, Py_ssize_t count)
{
    float m[12];
    Planes in = {0}, mixed;
    memcpy(m, affine, sizeof m);
    for (Py_ssize_t first = 0; first < count; first += BLOCK) {
        int pixels = count - first < BLOCK ? (int)(count - first) : BLOCK;
        take_apart(rows + 3 * first, pixels, &in);
        for (int i = 0; i < BLOCK; i++) {
            float red = in.red[i], green = in.green[i], blue = in.blue[i];
            mixed.red[i] = m[0] * red + m[1] * green + m[2] * blue + m[3];
            mixed.green[i] = m[4] * red + m[5] * green + m[6] * blue + m[7];
            mixed.blue[i] = m[8] * red + m[9] * green + m[10] * blue + m[11];
        }
        put_together(&mixed, pixels, out + 3 * first);
    }
}

static const Argument arguments[] = {
    {"rows", 'f', 0, 2, {-1, 3}}, {"affine", 'f', 0, 2, {3, 4}}, {"out", 'f', 1, 2, {-1, 3}}};

PyObject *transform_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[3];
    Arrays arrays;
    (void)self;
    if (!PyArg_ParseTuple(args, "OOO", &given[0], &given[1], &given[2])
        || open_arrays(given, arguments, 3, &arrays) < 0)
        return NULL;
    Py_BEGIN_ALLOW_THREADS
    transform(arrays.view[0].buf, arrays.view[1].buf, arrays.view[2].buf, arrays.length[0]);
    Py_END_ALLOW_THREADS
    close_arrays(&arrays);
    Py_RETURN_NONE;
}
