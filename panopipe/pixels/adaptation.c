/* See adaptation.py. */
#include "common.h"

/* Gains of one row by column, and where its pixels lie among them. */
typedef struct {
    const float *gains;
    int columns;
    float first_column, per_column, low, per_level;
} Row;

/* In a function of its own, so that compilers keep the three values together. */
FAST static void read_gains(const Row *row, int first, Planes *RESTRICT gain)
{
    float last = (float)(row->columns - 2);
    for (int i = 0; i < BLOCK; i++) {
        float column = (float)(first + i) * row->per_column + row->first_column;
        int before = (int)least_of(column, last);
        float way = column - (float)before;
        const float *left = row->gains + 3 * before, *right = left + 3;
        gain->red[i] = left[0] + way * (right[0] - left[0]);
        gain->green[i] = left[1] + way * (right[1] - left[1]);
        gain->blue[i] = left[2] + way * (right[2] - left[2]);
    }
}

FAST static void adapt_row(float *pixels, int width, const Row *row, const float *RESTRICT white)
{
    Planes light = {{0}, {0}, {0}}, gain;
    for (int first = 0; first < width; first += BLOCK) {
        int count = width - first < BLOCK ? width - first : BLOCK;
        take_apart(pixels + 3 * first, count, &light);
        read_gains(row, first, &gain);
        for (int i = 0; i < BLOCK; i++) {
            float red = light.red[i], green = light.green[i], blue = light.blue[i];
            float part = (least_of(least_of(red, green), blue) - row->low) * row->per_level;
            part = least_of(most_of(part, 0), 1);
            part = part * part * (3 - 2 * part);
            light.red[i] = red * (gain.red[i] + part * (white[0] - gain.red[i]));
            light.green[i] = green * (gain.green[i] + part * (white[1] - gain.green[i]));
            light.blue[i] = blue * (gain.blue[i] + part * (white[2] - gain.blue[i]));
        }
        put_together(&light, count, pixels + 3 * first);
    }
}

FAST static void gains_of_row(const float *table, Py_ssize_t size, float part, float *RESTRICT gains)
{
    for (Py_ssize_t i = 0; i < size; i++)
        gains[i] = (table[i + size] - table[i]) * part + table[i];
}

static const Argument arguments[] = {
    {"rows", 'f', 1, 3, {-1, -2, 3}}, {"gains", 'f', 0, 3, {-3, -4, 3}}, {"white", 'f', 0, 1, {3}}};

PyObject *adapt_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[3];
    Arrays arrays;
    Row row;
    Py_ssize_t first;
    (void)self;
    if (!PyArg_ParseTuple(args, "OOOnff", &given[0], &given[1], &given[2], &first, &row.low, &row.per_level)
        || open_arrays(given, arguments, 3, &arrays) < 0)
        return NULL;
    Py_ssize_t count = arrays.length[0], width = arrays.length[1];
    Py_ssize_t tables = arrays.length[2], size = 3 * arrays.length[3];
    float *gains = NULL;
    if (tables < 3 || size < 9 || size > 1 << 24 || width < 2 || width > 1 << 22)
        PyErr_SetString(PyExc_ValueError, "gains: too few or too many");
    else if (!(gains = PyMem_Malloc(size * sizeof *gains)))
        PyErr_NoMemory();
    if (!gains) {
        close_arrays(&arrays);
        return NULL;
    }
    row.gains = gains;
    row.columns = (int)arrays.length[3];
    row.per_column = (float)((double)(row.columns - 2) / (double)width);
    row.first_column = 0.5f * row.per_column + 0.5f;
    double per_row = (double)(tables - 2) / (double)(width / 2);
    float *rows = arrays.view[0].buf;
    const float *table = arrays.view[1].buf;
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t y = 0; y < count; y++) {
        double place = ((double)(first + y) + 0.5) * per_row + 0.5;
        Py_ssize_t above = place < 0 ? 0 : place > (double)(tables - 2) ? tables - 2 : (Py_ssize_t)place;
        gains_of_row(table + above * size, size, (float)(place - (double)above), gains);
        adapt_row(rows + 3 * y * width, (int)width, &row, arrays.view[2].buf);
    }
    Py_END_ALLOW_THREADS
    PyMem_Free(gains);
    close_arrays(&arrays);
    Py_RETURN_NONE;
}
