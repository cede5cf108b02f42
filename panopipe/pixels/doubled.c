/* See doubled.py. */
#include "common.h"

FAST static void blend_lines(const float *RESTRICT upper, const float *RESTRICT lower, float share,
                             Py_ssize_t width, float *RESTRICT line)
{
    for (Py_ssize_t i = 0; i < width; i++)
        line[i] = upper[i] * share + lower[i] * (1.0f - share);
}

FAST static void add_line(const float *RESTRICT line, Py_ssize_t width, float *RESTRICT result)
{
    for (Py_ssize_t i = 0; i < width; i++) {
        float near = line[i] * 0.75f;
        result[2 * i] += near + line[i - 1] * 0.25f;
        result[2 * i + 1] += near + line[i + 1] * 0.25f;
    }
}

static const Argument double_arguments[] = {{"half", 'f', 0, 3, {-1, -2, -3}}, {"result", 'f', 1, 3, {-1, -4, -5}}};

PyObject *add_doubled_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[2];
    Arrays arrays;
    Py_ssize_t skip;
    (void)self;
    if (!PyArg_ParseTuple(args, "OnO", &given[0], &skip, &given[1])
        || open_arrays(given, double_arguments, 2, &arrays) < 0)
        return NULL;
    Py_ssize_t rows = arrays.length[1], width = arrays.length[2], count = arrays.length[3];
    float *line = PyMem_Malloc((size_t)(width + 2) * sizeof(float));
    int inside = skip >= 0 && (skip + count - 1) / 2 + 1 < rows && arrays.length[4] == 2 * width && width;
    if (line && inside) {
        Py_BEGIN_ALLOW_THREADS
        for (Py_ssize_t plane = 0; plane < arrays.length[0]; plane++)
            for (Py_ssize_t row = 0; row < count; row++) {
                const float *upper = (const float *)arrays.view[0].buf + (plane * rows + (skip + row) / 2) * width;
                blend_lines(upper, upper + width, (skip + row) % 2 ? 0.25f : 0.75f, width, line + 1);
                line[0] = line[width];
                line[width + 1] = line[1];
                add_line(line + 1, width, (float *)arrays.view[1].buf + (plane * count + row) * 2 * width);
            }
        Py_END_ALLOW_THREADS
    }
    return end_kernel(&arrays, line, inside ? NULL : "result: not rows and columns of the doubled planes");
}
