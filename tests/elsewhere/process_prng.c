/* For tests alone: wine 8 has no bcryptprimitives.dll, from which the standard library takes its
   random numbers on Windows. */
#include <windows.h>
#include <ntsecapi.h>

__declspec(dllexport) BOOL ProcessPrng(PBYTE bytes, SIZE_T count) {
    return RtlGenRandom(bytes, (ULONG)count);
}
