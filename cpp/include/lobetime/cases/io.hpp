#pragma once
#include <filesystem>
#include <string>
#include <string_view>

namespace lobetime {

/// The whole content of a file. Throws Error naming the path and the reason.
std::string read_whole(const std::filesystem::path& path);

/// Writes a file whole or not at all: at every moment, and after a crash, the path holds either what it held before
/// or all of `content`. Throws Error naming the path and the reason, and leaves nothing behind.
void write_whole(const std::filesystem::path& path, std::string_view content);

}  // namespace lobetime
