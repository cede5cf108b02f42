/* See angle.py. */
#include "common.h"
#include <math.h>

#define PI 3.14159265358979323846

FAST static void angles(const float *RESTRICT across, const float *RESTRICT along, Py_ssize_t count,
                        float *RESTRICT out)
{
    for (Py_ssize_t i = 0; i < count; i++) {
        float one = fabsf(across[i]), other = fabsf(along[i]);
        int steep = one > other;
        float slope = (steep ? other : one) / (steep ? one : other);
        float square = slope * slope, angle = 0.0028662257f;
        angle = angle * square - 0.0161657367f;
        angle = angle * square + 0.0429096138f;
        angle = angle * square - 0.0752896400f;
        angle = angle * square + 0.1065626393f;
        angle = angle * square - 0.1420889944f;
        angle = angle * square + 0.1999355085f;
        angle = angle * square - 0.3333314528f;
        angle = angle * square + 1.0f;
        angle = angle * slope;
        angle = steep ? (float)(PI / 2) - angle : angle;
        angle = along[i] < 0 ? (float)PI - angle : angle;
        out[i] = across[i] < 0 ? -angle : angle;
    }
}

static const Argument arguments[] = {
    {"across", 'f', 0, 1, {-1}}, {"along", 'f', 0, 1, {-1}}, {"out", 'f', 1, 1, {-1}}};

PyObject *angles_kernel(PyObject *self, PyObject *args)
{
    Arrays arrays;
    (void)self;
    if (open_only_arrays(args, arguments, 3, &arrays) < 0)
        return NULL;
    Py_BEGIN_ALLOW_THREADS
    angles(arrays.view[0].buf, arrays.view[1].buf, arrays.length[0], arrays.view[2].buf);
    Py_END_ALLOW_THREADS
    close_arrays(&arrays);
    Py_RETURN_NONE;
}
