/* See mean.py. */
#include "common.h"

#define ADD(TYPE)                                                                                             \
    FAST static void add_##TYPE(const TYPE *RESTRICT row, float weight, Py_ssize_t count, float *RESTRICT sums) \
    {                                                                                                         \
        for (Py_ssize_t i = 0; i < count; i++)                                                                \
            sums[i] += weight * (float)row[i];                                                                \
    }
ADD(uint8_t)
ADD(uint16_t)
ADD(float)

static const Argument add_arguments[] = {{"row", ANY_SAMPLES, 0, 2, {-1, 3}}, {"sums", 'f', 1, 2, {-1, 3}}};

PyObject *add_row_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[2];
    Arrays arrays;
    Py_ssize_t start;
    double weight;
    (void)self;
    if (!PyArg_ParseTuple(args, "OdnO", &given[0], &weight, &start, &given[1])
        || open_arrays(given, add_arguments, 2, &arrays) < 0)
        return NULL;
    Py_ssize_t width = arrays.length[0];
    if (start < 0 || start > width) {
        close_arrays(&arrays);
        PyErr_SetString(PyExc_ValueError, "start: not a column of the row");
        return NULL;
    }
    const char *row = arrays.view[0].buf;
    char type = arrays.view[0].format[0];
    float *sums = arrays.view[1].buf;
    Py_ssize_t from[2] = {start, 0}, count[2] = {width - start, start};
    Py_BEGIN_ALLOW_THREADS
    for (int part = 0; part < 2; part++) {
        if (type == 'B')
            add_uint8_t((const uint8_t *)row + 3 * from[part], (float)weight, 3 * count[part], sums);
        else if (type == 'H')
            add_uint16_t((const uint16_t *)row + 3 * from[part], (float)weight, 3 * count[part], sums);
        else
            add_float((const float *)row + 3 * from[part], (float)weight, 3 * count[part], sums);
        sums += 3 * count[part];
    }
    Py_END_ALLOW_THREADS
    close_arrays(&arrays);
    Py_RETURN_NONE;
}

FAST static void mean_columns(const float *row, const int32_t *firsts, const float *shares, Py_ssize_t count,
                              Py_ssize_t columns, float *RESTRICT out)
{
    for (Py_ssize_t i = 0; i < count; i++) {
        const float *from = row + 3 * (Py_ssize_t)firsts[i];
        float red = 0, green = 0, blue = 0;
        for (Py_ssize_t k = 0; k < columns; k++) {
            float share = shares[i * columns + k];
            red += share * from[3 * k];
            green += share * from[3 * k + 1];
            blue += share * from[3 * k + 2];
        }
        out[3 * i] = red;
        out[3 * i + 1] = green;
        out[3 * i + 2] = blue;
    }
}

static const Argument mean_arguments[] = {{"row", 'f', 0, 2, {-1, 3}},
                                          {"firsts", 'i', 0, 1, {-2}},
                                          {"shares", 'f', 0, 2, {-2, -3}},
                                          {"out", 'f', 1, 2, {-2, 3}}};

PyObject *mean_columns_kernel(PyObject *self, PyObject *args)
{
    Arrays arrays;
    (void)self;
    if (open_only_arrays(args, mean_arguments, 4, &arrays) < 0)
        return NULL;
    const int32_t *firsts = arrays.view[1].buf;
    Py_ssize_t count = arrays.length[1], columns = arrays.length[2];
    for (Py_ssize_t i = 0; i < count; i++)
        if (firsts[i] < 0 || firsts[i] + columns > arrays.length[0]) {
            close_arrays(&arrays);
            PyErr_SetString(PyExc_ValueError, "firsts: columns that are not in the row");
            return NULL;
        }
    Py_BEGIN_ALLOW_THREADS
    mean_columns(arrays.view[0].buf, firsts, arrays.view[2].buf, count, columns, arrays.view[3].buf);
    Py_END_ALLOW_THREADS
    close_arrays(&arrays);
    Py_RETURN_NONE;
}
