/* See summary.py. */
#include "common.h"

#define CHUNK 48 /* sixteen pixels of three samples */

#define SUMMARY_OF(NAME, TYPE, WIDE)                                                                          \
    FAST static void NAME(const TYPE *RESTRICT rows, Py_ssize_t count, Py_ssize_t width, Py_ssize_t chunks,   \
                          float *RESTRICT mean, float *RESTRICT rough)                                        \
    {                                                                                                         \
        for (Py_ssize_t row = 0; row < count; row++)                                                          \
            for (Py_ssize_t chunk = 0; chunk < chunks; chunk++) {                                             \
                const TYPE *RESTRICT here = rows + 3 * width * row + CHUNK * chunk;                           \
                WIDE sum = 0, steps = 0;                                                                      \
                for (int i = 0; i < CHUNK; i++)                                                               \
                    sum += here[i];                                                                           \
                for (int i = 3; i < CHUNK; i++)                                                               \
                    steps += here[i] > here[i - 3] ? (TYPE)(here[i] - here[i - 3])                            \
                                                   : (TYPE)(here[i - 3] - here[i]);                           \
                mean[chunks * row + chunk] = (float)sum / CHUNK;                                              \
                rough[chunks * row + chunk] = (float)steps / (CHUNK - 3);                                     \
            }                                                                                                 \
    }

SUMMARY_OF(summary_of_bytes, uint8_t, uint32_t)
SUMMARY_OF(summary_of_shorts, uint16_t, uint32_t)

static const Argument arguments[] = {
    {"rows", ANY_SAMPLES, 0, 3, {-1, -2, 3}}, {"mean", 'f', 1, 2, {-1, -3}}, {"rough", 'f', 1, 2, {-1, -3}}};

PyObject *summary_kernel(PyObject *self, PyObject *args)
{
    Arrays arrays;
    (void)self;
    if (open_only_arrays(args, arguments, 3, &arrays) < 0)
        return NULL;
    Py_ssize_t count = arrays.length[0], width = arrays.length[1], chunks = arrays.length[2];
    char type = arrays.view[0].format[0];
    if (chunks * 16 > width || type == 'f') {
        PyErr_SetString(PyExc_ValueError, "rows: must be whole numbers, and as wide as the chunks");
        close_arrays(&arrays);
        return NULL;
    }
    const void *rows = arrays.view[0].buf;
    float *mean = arrays.view[1].buf, *rough = arrays.view[2].buf;
    Py_BEGIN_ALLOW_THREADS
    if (type == 'H')
        summary_of_shorts(rows, count, width, chunks, mean, rough);
    else
        summary_of_bytes(rows, count, width, chunks, mean, rough);
    Py_END_ALLOW_THREADS
    close_arrays(&arrays);
    Py_RETURN_NONE;
}
