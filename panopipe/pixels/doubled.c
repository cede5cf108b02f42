/* See doubled.py. */
#include "opponent.h"

FAST static void blend_lines(const float *RESTRICT upper, const float *RESTRICT lower, float share,
                             Py_ssize_t width, float *RESTRICT line)
{
    for (Py_ssize_t i = 0; i < width; i++)
        line[i] = upper[i] * share + lower[i] * (1.0f - share);
}

/* A line with its ends continued; it begins one after where `line` points to. */
static void line_of(const float *half, Py_ssize_t row, Py_ssize_t width, float *line)
{
    const float *upper = half + row / 2 * width;
    blend_lines(upper, upper + width, row % 2 ? 0.25f : 0.75f, width, line + 1);
    line[0] = line[width];
    line[width + 1] = line[1];
}

/* To a row of other planes, or to the result itself where there is none. */
FAST static void add_line(const float *RESTRICT line, const float *RESTRICT row, Py_ssize_t width,
                          float *RESTRICT result)
{
    for (Py_ssize_t i = 0; i < width; i++) {
        float near = line[i] * 0.75f;
        float left = row ? row[2 * i] : result[2 * i], right = row ? row[2 * i + 1] : result[2 * i + 1];
        result[2 * i] = left + (near + line[i - 1] * 0.25f);
        result[2 * i + 1] = right + (near + line[i + 1] * 0.25f);
    }
}

static int is_inside(const Arrays *arrays, Py_ssize_t skip)
{
    Py_ssize_t rows = arrays->length[1], width = arrays->length[2], count = arrays->length[3];
    return skip >= 0 && (skip + count - 1) / 2 + 1 < rows && arrays->length[4] == 2 * width && width;
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
    const float *half = arrays.view[0].buf;
    float *result = arrays.view[1].buf, *line = PyMem_Malloc((size_t)(width + 2) * sizeof(float));
    int inside = is_inside(&arrays, skip);
    if (line && inside) {
        Py_BEGIN_ALLOW_THREADS
        for (Py_ssize_t plane = 0; plane < arrays.length[0]; plane++)
            for (Py_ssize_t row = 0; row < count; row++) {
                line_of(half + plane * rows * width, skip + row, width, line);
                add_line(line + 1, NULL, width, result + (plane * count + row) * 2 * width);
            }
        Py_END_ALLOW_THREADS
    }
    return end_kernel(&arrays, line, inside ? NULL : "result: not rows and columns of the doubled planes");
}

FAST static void join_row(const float *sums, Py_ssize_t width, float *light)
{
    join_pixels(sums, sums + width, sums + 2 * width, width, light);
}

static const Argument join_arguments[] = {
    {"half", 'f', 0, 3, {3, -2, -3}}, {"planes", 'f', 0, 3, {3, -4, -5}}, {"light", 'f', 1, 3, {-4, -5, 3}}};

PyObject *join_doubled_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[3];
    Arrays arrays;
    Py_ssize_t skip;
    (void)self;
    if (!PyArg_ParseTuple(args, "OnOO", &given[0], &skip, &given[1], &given[2])
        || open_arrays(given, join_arguments, 3, &arrays) < 0)
        return NULL;
    Py_ssize_t rows = arrays.length[1], width = arrays.length[2], count = arrays.length[3];
    const float *half = arrays.view[0].buf, *planes = arrays.view[1].buf;
    float *line = PyMem_Malloc((size_t)(7 * width + 2) * sizeof(float)), *light = arrays.view[2].buf;
    int inside = is_inside(&arrays, skip);
    if (line && inside) {
        float *sums = line + width + 2;
        Py_BEGIN_ALLOW_THREADS
        for (Py_ssize_t row = 0; row < count; row++) {
            for (int plane = 0; plane < 3; plane++) {
                line_of(half + plane * rows * width, skip + row, width, line);
                add_line(line + 1, planes + (plane * count + row) * 2 * width, width, sums + plane * 2 * width);
            }
            join_row(sums, 2 * width, light + row * 6 * width);
        }
        Py_END_ALLOW_THREADS
    }
    return end_kernel(&arrays, line, inside ? NULL : "planes: not rows and columns of the doubled ones");
}
